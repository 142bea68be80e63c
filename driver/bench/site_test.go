package bench_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"fourwire/driver/bench"
	"fourwire/internal/diag"
)

func fixture(t *testing.T) *bench.Bench {
	t.Helper()
	text, err := os.ReadFile("../../examples/sites/bench.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return read(t, string(text))
}

func TestABenchAsItsSitesSeeIt(t *testing.T) {
	b := fixture(t)
	if got := strings.Join(b.SiteNames(), " "); got != "east west" {
		t.Errorf("sites %s", got)
	}
	var found diag.Findings
	for _, c := range []struct {
		site, together, wired, shared string
	}{
		{"east", "east", "supplies dut.in, sink-east dut.out, dmm dut.out through mux apart mux.2", ""},
		{"west", "west", "supplies.2 dut.in, sink-west dut.out, dmm dut.out through mux.2 apart mux", ""},
		{"west", "east west", "supplies.2 dut.in, sink-west dut.out, dmm dut.out through mux.2 apart mux", "supplies dmm mux"},
	} {
		view := b.ForSite(c.site, strings.Fields(c.together), &found)
		var wired []string
		for _, w := range view.Wiring {
			text := bench.Contact{Instrument: w.Instrument, Channel: w.Channel}.String() + " " + w.Node
			if w.Through != (bench.Contact{}) {
				text += fmt.Sprintf(" through %s apart %s", w.Through, w.Apart[0])
			}
			wired = append(wired, text)
		}
		if got := strings.Join(wired, ", "); got != c.wired {
			t.Errorf("%s: %s", c.site, got)
		}
		if got := strings.Join(view.View.Shared, " "); got != c.shared || view.View.Site != c.site {
			t.Errorf("%s with %s shares %q", c.site, c.together, got)
		}
		for _, in := range view.Instruments {
			if strings.HasPrefix(in.Name, "sink-") && in.Name != "sink-"+c.site {
				t.Errorf("%s has %s", c.site, in.Name)
			}
		}
		if len(c.together) > 5 && !slices.Equal(view.View.Others, []string{"east"}) {
			t.Errorf("others %v", view.View.Others)
		}
	}
	if found.Failed() {
		t.Error(found.List())
	}
	if len(b.Wiring) != 6 || b.View.Site != "" {
		t.Error("the bench itself has changed")
	}
}

// A source that serves every site is set by one at a time.
func TestWhatServesEverySiteIsNotSetByTwo(t *testing.T) {
	text := strings.Replace(string(fixture(t).Source), "  - {site: east, channel: supplies.1, node: dut.in,  as: source, sense: remote, lead: 15 mohm}\n", "  - {channel: supplies.1, node: bus.in, as: source}\n", 1)
	b := read(t, text)
	var alone, both diag.Findings
	b.ForSite("east", []string{"east"}, &alone)
	b.ForSite("east", []string{"east", "west"}, &both)
	if alone.Failed() || !both.Failed() || !strings.Contains(both.List()[0].Text, "supplies serves every site") {
		t.Errorf("%v, %v", alone.List(), both.List())
	}
}
