package driver_test

import (
	"context"
	"math"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/internal/clock"
	"fourwire/internal/ledger"
	"fourwire/quantity"
)

// spanned opens an instrument of the simulated bench that books its time.
func (s *simulated) spanned(t *testing.T, name, kind string, spans *ledger.Ledger, way time.Duration) *driver.Instrument {
	t.Helper()
	link, err := s.Link(name)
	must(t, err)
	in, err := driver.Open(context.Background(), driver.Config{Name: name, Model: libraryModel(t, kind), Link: link, Clock: s.Clock(), Ledger: &s.ledger, Spans: spans, WireTime: way})
	must(t, err)
	return in
}

// Every moment of a point belongs to one kind of span: the aperture of a reading comes first, of all other waits the wire's part does, and whatever
// switches or changes a range is that as a whole.
func TestSpansOfAPoint(t *testing.T) {
	b, ctx := simulate(t), context.Background()
	spans := ledger.New(b.Clock())
	psu, sink := b.spanned(t, "feed-psu", "dc-source", spans, 200*time.Microsecond), b.spanned(t, "sink-1", "electronic-load", spans, 200*time.Microsecond)
	must(t, psu.Prepare(ctx))
	must(t, sink.Prepare(ctx))
	source, err := psu.Source(1)
	must(t, err)
	load, err := sink.Load(1)
	must(t, err)
	must(t, source.SetAmps(ctx, 2))
	must(t, source.SetVolts(ctx, 12))
	must(t, load.Hold(ctx, quantity.MustParse("0.5 A")))
	must(t, source.Output(ctx, true))
	must(t, load.Input(ctx, true))
	before := kinds(spans)
	if before[ledger.OutputUp] <= 0 || before[ledger.OutputDown] <= 0 || before[ledger.Processing] <= 0 || before[ledger.Transfer] <= 0 || before[ledger.Aperture] != 0 || before[ledger.Range] != 0 {
		t.Errorf("switched on with %v", before)
	}
	var meters []*driver.Meter
	for _, in := range []*driver.Instrument{psu, sink} {
		m, err := in.Meter(1)
		must(t, err)
		meters = append(meters, m)
		must(t, m.Arm(ctx, driver.Request{Function: driver.Volts, Aperture: 20 * time.Millisecond, Expect: 12}))
	}
	armed := kinds(spans)
	if armed[ledger.Range] <= 0 {
		t.Errorf("ranges were chosen with %v", armed)
	}
	for _, m := range meters {
		must(t, m.Begin(ctx, driver.Request{Function: driver.Volts, Aperture: 20 * time.Millisecond, Expect: 12}))
	}
	for _, m := range meters {
		_, err := m.End(ctx)
		must(t, err)
	}
	read := kinds(spans)
	// two apertures at the same time are one; the words before the second one are within the first
	if got := read[ledger.Aperture]; math.Abs(got-0.02) > 2e-3 {
		t.Errorf("two apertures of 20 ms at the same time took %v s", got)
	}
	if read[ledger.Range] != armed[ledger.Range] || read[ledger.OutputUp] != before[ledger.OutputUp] {
		t.Errorf("a reading was booked otherwise: %v", read)
	}
	var ends []driver.Action
	for i, in := range []*driver.Instrument{psu, sink} {
		must(t, b.Clock().Sleep(ctx, time.Duration(i)*5*time.Millisecond))
		must(t, meters[i].Begin(ctx, driver.Request{Function: driver.Volts, Aperture: 20 * time.Millisecond, Expect: 12}))
		ends = append(ends, driver.Action{Instrument: in, Do: func(ctx context.Context) error {
			got, err := meters[i].End(ctx)
			if err == nil && math.Abs(got.Value.X-12) > 0.1 {
				t.Errorf("%v V", got.Value.X)
			}
			return err
		}})
	}
	must(t, driver.Together(ctx, ends...))
	// the first has 15 ms left when the second is begun; of the 5 ms that this one has left then, its instrument is heard 1 ms late
	if got := kinds(spans)[ledger.Aperture] - read[ledger.Aperture]; math.Abs(got-0.019) > 1e-9 {
		t.Errorf("ended together, two apertures of 20 ms took %v s", got)
	}
	read = kinds(spans)
	_, _, err = source.Inspect(ctx)
	must(t, err)
	looked := kinds(spans)
	if got := looked[ledger.Transfer] - read[ledger.Transfer]; math.Abs(got-200e-6) > 1e-9 {
		t.Errorf("one exchange took the way %v s", got)
	}
	sum := 0.0
	for _, x := range looked {
		sum += x
	}
	if whole := spans.Elapsed().Seconds(); math.Abs(sum-whole) > 1e-9 || math.Abs(looked[ledger.Host]-0.005) > 1e-9 {
		t.Errorf("%v s in all, and %v s booked: %v", whole, sum, looked)
	}
}

func kinds(l *ledger.Ledger) map[ledger.Kind]float64 {
	out := map[ledger.Kind]float64{}
	for _, s := range l.Spans() {
		out[s.Kind] += s.Seconds
	}
	return out
}

// Blocks are read-back, and the wait for their samples is the samples' own time.
func TestSpansOfARecording(t *testing.T) {
	b, ctx := simulate(t), context.Background()
	spans := ledger.New(b.Clock())
	in := b.spanned(t, "smu-1", "source-measure-unit", spans, 0)
	must(t, in.Prepare(ctx))
	r, err := in.Recorder(1)
	must(t, err)
	_, err = r.Start(ctx, driver.Recording{Functions: []driver.Function{driver.Amps}, IntervalSeconds: 1e-3})
	must(t, err)
	var s driver.Samples
	must(t, r.Fetch(ctx, 5000, 2000, &s))
	must(t, r.Stop(ctx))
	must(t, r.Fetch(ctx, 5000, 0, &s))
	got := kinds(spans)
	if math.Abs(got[ledger.Aperture]-2) > 0.05 || got[ledger.ReadBack] <= 0 || got[ledger.ReadBack] > 0.1 {
		t.Errorf("2000 samples at 1 ms: %v", got)
	}
}

// BenchmarkExchange is one setting with its look at the error queue over a link that answers at once, with and without an account: what this side costs.
func BenchmarkExchange(b *testing.B) {
	ctx := context.Background()
	m := modelOf(b, libraryText(b, "dc-source"))
	for _, c := range []struct {
		name  string
		spans *ledger.Ledger
	}{{"alone", nil}, {"spans", ledger.New(clock.Real())}} {
		link := &canned{answers: map[string][]byte{"*IDN?": []byte("M,D,1,1"), ":SYST:ERR?": []byte(noError)}}
		in, err := driver.Open(ctx, driver.Config{Name: "psu", Model: m, Link: link, Spans: c.spans, WireTime: time.Microsecond})
		if err != nil {
			b.Fatal(err)
		}
		s, err := in.Source(1)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := s.SetVolts(ctx, 12); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
