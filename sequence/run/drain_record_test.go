package run_test

import (
	"math"
	"strings"
	"testing"

	"fourwire/analysis/drain"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence/run"
)

// Of very many events those with most charge are kept, in order of time; the number is that of all.
func TestTheEventsWithMostChargeAreKept(t *testing.T) {
	const each, all = 200, 5500 // samples from event to event; events
	amps := make([]float32, each*all)
	reports := 0
	for i := range amps {
		amps[i] = 2e-6 + 1e-8*float32(i*7919%13-6)
		switch event := i / each; {
		case i%each == 5 && event%60 != 59:
			amps[i] = 500e-6 // a tick of the clock
		case i%each >= 5 && i%each < 9 && event%60 == 59: // a report among sixty
			if amps[i] = 20e-3; i%each == 5 {
				reports++
			}
		}
	}
	blocks := func(yield func(*drain.Block, error) bool) { yield(&drain.Block{Amps: amps}, nil) }
	res, err := drain.Analyse(blocks, drain.Options{IntervalSeconds: 1e-3})
	if err != nil || len(res.Events) != all {
		t.Fatalf("%d events, %v", len(res.Events), err)
	}
	res.More = 7 // beyond those that an analysis keeps
	d := run.DrainOf("day", "i", res)
	if d.Count != all+7 || len(d.Events) != 5000 {
		t.Fatalf("%d events, %d of them kept", d.Count, len(d.Events))
	}
	kept, last := 0, math.Inf(-1)
	for _, e := range d.Events {
		if e.Start <= last {
			t.Fatalf("an event at %g s behind one at %g s", e.Start, last)
		}
		if last = e.Start; e.Coulombs > 1e-6 {
			kept++
		}
	}
	if kept != reports {
		t.Errorf("%d of %d reports are kept", kept, reports)
	}
}

func TestAComparisonAsKept(t *testing.T) {
	exact := measured.Exact(quantity.Of(1e-3, quantity.Charge))
	c := drain.Comparison{Kinds: []drain.Change{{Name: "kind 1", Measure: "each event", A: exact, B: exact, Difference: exact}, {Name: "report", A: exact, B: exact, Difference: exact}},
		States: []drain.Change{{Name: "sleep", A: exact, B: exact, Difference: exact}}}
	got := run.CompareOf(c, "older", &drain.Result{CCDF: []drain.Above{{Amps: 1e-6, Fraction: 0.99}, {Amps: 1e-3, Fraction: 0.01}}})
	var words []string
	for _, l := range got.Lines {
		words = append(words, l.What)
	}
	if text := strings.Join(words, "; "); !strings.HasSuffix(text, "; state sleep; kind 1, each event; kind report") {
		t.Error(text)
	}
	if len(got.CCDF) != 2 || got.CCDF[1] != (record.CCDFPoint{Amps: 1e-3, Above: 0.01}) || got.Trace != "older" {
		t.Errorf("%+v", got)
	}
}
