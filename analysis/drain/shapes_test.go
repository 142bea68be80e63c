package drain_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"fourwire/analysis/drain"
)

func analyse(t *testing.T, x []float32, interval float64) *drain.Result {
	t.Helper()
	r, err := drain.Analyse(whole(x), drain.Options{IntervalSeconds: interval})
	if err != nil {
		t.Fatal(err)
	}
	conserved(t, r)
	return r
}

// smooth is what a capacitor behind a resistance makes of the current, tau in samples.
func smooth(x []float32, tau float64) []float32 {
	out := make([]float32, len(x))
	y, k := float64(x[0]), 1-math.Exp(-1/tau)
	for i, v := range x {
		y += k * (float64(v) - y)
		out[i] = float32(y)
	}
	return out
}

func add(x []float32, rng *rand.Rand, noise float64) []float32 {
	for i := range x {
		x[i] += float32(noise * rng.NormFloat64())
	}
	return x
}

// The truth of each case is how it was made; no outside source.
func TestShapesOfCurrent(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	repeat := func(n int, levels ...level) *trace {
		tr := newTrace(1e-3)
		for range n {
			tr.hold(levels[0].amps, levels[0].seconds*(1+0.1*rng.Float64()))
			tr.play(levels[1:]...)
		}
		tr.hold(levels[0].amps, levels[0].seconds)
		return tr
	}
	hum := add(make([]float32, 100000), rng, 20e-9)
	for i := range hum {
		hum[i] += float32(2e-6 + 0.5e-6*math.Sin(float64(i)*0.31))
		if i%2000 >= 1000 && i%2000 < 1050 {
			hum[i] += 5e-3
		}
	}
	for _, c := range []struct {
		name   string
		x      []float32
		events int
		states []float64 // levels, the floor first; NaN: any
		within float64
	}{
		{"constant", add(make([]float32, 20000), rng, 1e-5), 0, []float64{math.NaN()}, 0},
		{"constant without noise", repeat(1, level{1e-3, 10}).amps(nil, nil), 0, []float64{1e-3}, 1e-6},
		{"all zero", make([]float32, 5000), 0, []float64{0}, 0},
		{"one sample", []float32{1}, 0, []float64{1}, 0},
		{"one peak in six samples", []float32{1e-6, 1e-6, 1e-6, 1e-2, 1e-6, 1e-6}, 1, []float64{1e-6, 1e-2}, 1e-6},
		{"no sleep: 5 mA, 8 mA, 50 mA", repeat(300, level{5e-3, 0.05}, level{8e-3, 0.05}, level{50e-3, 0.05}).amps(rng, constantNoise(2e-5)), 300, []float64{5e-3, 8e-3, 50e-3}, 0.03},
		{"6 mA over 5 mA", repeat(200, level{5e-3, 0.5}, level{6e-3, 0.05}).amps(rng, constantNoise(2e-5)), 200, []float64{5e-3, 6e-3}, 0.01},
		{"events of one sample and its parts", repeat(300, level{1e-6, 0.3}, level{2e-3, 1e-3}).amps(rng, constantNoise(2e-8)), 300, []float64{1e-6, 1e-3}, 0.1},
		{"eight samples of sleep between events", repeat(200, level{1e-6, 0.3}, level{2e-3, 10e-3}, level{1e-6, 8e-3}, level{20e-3, 15e-3}, level{1e-6, 8e-3}, level{2e-3, 10e-3}).amps(rng, constantNoise(2e-8)), 600, []float64{1e-6, 2e-3, 20e-3}, 0.12},
		{"wake, sample, process, radio at 1 kSa/s", repeat(200, level{2e-6, 1}, level{3e-3, 5e-3}, level{8e-3, 20e-3}, level{50e-3, 60e-3}).amps(rng, constantNoise(2e-8)), 200, []float64{2e-6, 3e-3, 8e-3, 50e-3}, 0.2},
		{"edges rounded by a capacitor, tau 3 samples", add(smooth(repeat(200, level{2e-6, 1}, level{8e-3, 20e-3}, level{50e-3, 60e-3}).amps(nil, nil), 3), rng, 20e-9), 200, []float64{2e-6, math.NaN(), math.NaN()}, 0.01},
		{"hum of a quarter of the floor", hum, 50, []float64{2e-6, 5e-3}, 0.02},
		{"ticks of 10 uA over 2 uA", repeat(200, level{2e-6, 1}, level{10e-6, 6e-3}).amps(rng, constantNoise(2e-8)), 200, []float64{2e-6, math.NaN()}, 0.01},
		{"twice the current for good is a state, not an event at all times", repeat(30, level{2e-6, 1}, level{50e-3, 0.1}).amps(rng, constantNoise(2e-8)), 30, []float64{2e-6, 50e-3}, 0.02},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := analyse(t, c.x, 1e-3)
			if len(r.Events) != c.events {
				t.Errorf("%d events, want %d; %+v", len(r.Events), c.events, r.Thresholds)
			}
			if len(r.States) != len(c.states) {
				t.Fatalf("%d states, want %d: %+v", len(r.States), len(c.states), r.States)
			}
			for i, want := range c.states {
				if got := r.States[i].Amps; !math.IsNaN(want) && math.Abs(got-want) > c.within*want {
					t.Errorf("%s at %g A, want %g", r.States[i].Name, got, want)
				}
			}
			if c.events > 10 && len(r.Kinds) == 0 {
				t.Error("no kinds of events")
			}
		})
	}
}

func TestKindsAndPeriods(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	tr := newTrace(1e-3)
	for i := range 400 { // a tick each second, a transmission each tenth
		tr.hold(2e-6, 0.3)
		tr.hold(500e-6, 5e-3)
		if i%10 == 9 {
			tr.play(level{2e-6, 0.2}, level{8e-3, 20e-3}, level{50e-3, 60e-3}, level{2e-6, 0.415})
		} else {
			tr.hold(2e-6, 0.695)
		}
	}
	r := analyse(t, tr.amps(rng, constantNoise(2e-8)), 1e-3)
	if len(r.Kinds) != 2 || r.Kinds[0].Count != 400 || r.Kinds[1].Count != 40 {
		t.Fatalf("%+v", r.Kinds)
	}
	for i, period := range []float64{1, 10} {
		if k := r.Kinds[i]; math.Abs(k.PeriodSeconds-period) > 2e-3 || !k.Regular {
			t.Errorf("%s: period %g s, regular %v; want %g", k.Name, k.PeriodSeconds, k.Regular, period)
		}
	}
	near(t, "the charge of a transmission", r.Kinds[1].MeanCharge.X, 8e-3*20e-3+50e-3*60e-3, 1e-3)
}

func TestPowerUp(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	for _, c := range []struct {
		name            string
		before, after   float64
		within          bool
		off, offSeconds float64
	}{
		{"off before", 2, 0, false, 1, 2},
		{"begins with it, off behind", 0, 3, true, 1, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr := newTrace(1e-3)
			tr.hold(0, c.before)
			tr.play(level{0.9, 3e-3}, level{0.4, 3e-3}, level{0.1, 1.5})
			for range 30 {
				tr.play(level{33e-6, 2}, level{63e-3, 0.1}, level{122e-3, 0.15})
			}
			tr.hold(33e-6, 1)
			tr.hold(0, c.after)
			r, err := drain.Analyse(whole(tr.amps(rng, constantNoise(2e-7))), drain.Options{IntervalSeconds: 1e-3, NominalVolts: 3})
			if err != nil {
				t.Fatal(err)
			}
			conserved(t, r)
			in := r.Inrush
			if in == nil {
				t.Fatalf("no inrush: %+v", r.States)
			}
			near(t, "its peak", in.PeakAmps, 0.9, 1e-4)
			near(t, "its charge", in.Coulombs, 3.9e-3, 1e-3)
			near(t, "its energy", in.Joules, 3*3.9e-3, 1e-3)
			if in.Seconds != 6e-3 || in.BeginsWithin != c.within || math.Abs(in.OffSeconds-c.offSeconds) > 2e-3 {
				t.Errorf("%+v", *in)
			}
			if r.States[0].Name != "off" || r.States[1].Name != "sleep" {
				t.Fatalf("%+v", r.States)
			}
			if got, want := r.States[0].Seconds, c.before+c.after; math.Abs(got-want) > 0.2 {
				t.Errorf("off for %g s, want %g", got, want)
			}
			near(t, "sleep", r.States[1].Amps, 33e-6, 0.005)
		})
	}
}

func TestGapsAreNotBridged(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	tr := newTrace(1e-3)
	for range 100 {
		tr.play(level{2e-6, 0.9}, level{50e-3, 0.1})
	}
	tr.hold(2e-6, 0.5)
	x := tr.amps(rng, constantNoise(2e-8))
	// 930 to 960: the middle of the first event; 5200 to 7200: two whole ones and their sleep
	parts := []drain.Block{{Start: 0, Amps: x[:930]}, {Start: 960, Amps: x[960:5200]}, {Start: 7200, Amps: x[7200:]}}
	r, err := drain.Analyse(func(yield func(*drain.Block, error) bool) {
		for i := range parts {
			if !yield(&parts[i], nil) {
				return
			}
		}
	}, drain.Options{IntervalSeconds: 1e-3})
	if err != nil {
		t.Fatal(err)
	}
	conserved(t, r)
	if r.GapCount != 2 || r.Missing != 2030 || r.Gaps[0] != (drain.Gap{Start: 930, Count: 30}) || r.Gaps[1] != (drain.Gap{Start: 5200, Count: 2000}) || len(r.Notes) == 0 {
		t.Errorf("%d gaps, %d missing: %v %v", r.GapCount, r.Missing, r.Gaps, r.Notes)
	}
	if len(r.Events) != 99 || !r.Events[0].Cut || !r.Events[1].Cut || r.Events[2].Cut {
		t.Errorf("%d events, first %+v", len(r.Events), r.Events[:3])
	}
	if r.Kinds[0].Count != 97 || math.Abs(r.Kinds[0].PeriodSeconds-1) > 1e-9 {
		t.Errorf("%+v", r.Kinds)
	}
	if r.Samples != int64(len(x))-2030 {
		t.Errorf("%d samples", r.Samples)
	}
	var spans []drain.Span
	for _, s := range r.Spans {
		if s.State < 0 {
			spans = append(spans, s)
		}
	}
	if len(spans) != 2 || spans[0].From != 930 || spans[1].From != 5200 {
		t.Errorf("gaps in the run of states: %v", spans)
	}
}

// Beyond the events that are listed the states still have all of the charge.
func TestMoreEventsThanAreListed(t *testing.T) {
	const n = 300_000
	x := make([]float32, 6*n)
	for i := range x {
		x[i] = 2e-6
		switch i % 12 {
		case 1:
			x[i] = 1e-3
		case 7:
			x[i] = 50e-3
		}
	}
	r := analyse(t, x, 1e-3)
	if len(r.States) != 3 {
		t.Fatalf("%+v %+v", r.States, r.Thresholds)
	}
	if len(r.Events)+r.More != n || r.More == 0 || len(r.Spans) > drain.MaxSpans {
		t.Errorf("%d events and %d more, %d spans", len(r.Events), r.More, len(r.Spans))
	}
	for i, amps := range []float64{2e-6, 1e-3, 50e-3} {
		s := r.States[i]
		if i > 0 && (s.Samples != n/2 || s.Visits != n/2) {
			t.Errorf("%+v", s)
		}
		near(t, "the charge of "+s.Name, s.Charge.X, amps*s.Seconds, 1e-6)
	}
}

// A change of level that is not much more than the noise is put where it is, not where it is noticed: 5 to 8 mA in 0.6 mA of noise.
func TestWhereTheLevelChanges(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 15))
	var x []float32
	var put []int64
	fill := func(n int, amps, noise float64) {
		for range n {
			x = append(x, float32(amps+noise*rng.NormFloat64()))
		}
	}
	for range 200 {
		fill(300, 2e-6, 2e-8)
		fill(60, 5e-3, 0.6e-3)
		put = append(put, int64(len(x)))
		fill(60, 8e-3, 0.6e-3)
	}
	fill(300, 2e-6, 2e-8)
	r := analyse(t, x, 1e-3)
	if len(r.States) != 3 {
		t.Fatalf("%+v", r.States)
	}
	var sum float64
	var n int
	for i, s := range r.Spans {
		if i > 0 && s.State == 2 && r.Spans[i-1].State == 1 {
			for _, p := range put {
				if d := s.From - p; d > -20 && d < 20 {
					sum += float64(d)
					n++
				}
			}
		}
	}
	if late := sum / float64(n); n < 190 || late > 0.1 || late < -0.6 {
		t.Errorf("%d changes of 200 found, on average %.2f samples late", n, sum/float64(n))
	}
}

// Currents that no model fits: charge is conserved all the same.
func TestWildCurrents(t *testing.T) {
	rng := rand.New(rand.NewPCG(14, 14))
	walk := 1e-3
	for name, f := range map[string]func(i int) float64{
		"another one each sample":        func(int) float64 { return math.Pow(10, -6+5*rng.Float64()) },
		"another one each tenth sample":  func(i int) float64 { walk = pick(i%10 == 0, math.Pow(10, -6+5*rng.Float64()), walk); return walk },
		"random walk":                    func(int) float64 { walk *= 1 + 0.01*rng.NormFloat64(); return walk },
		"ramp over five decades":         func(i int) float64 { return 1e-6 * math.Pow(10, float64(i)/40000) },
		"negative":                       func(i int) float64 { return -1e-3 * float64(i%100) },
		"falls by half for good and all": func(i int) float64 { return 1e-3 / float64(1+i/100000) },
	} {
		t.Run(name, func(t *testing.T) {
			x := make([]float32, 200_000)
			for i := range x {
				x[i] = float32(f(i))
			}
			analyse(t, x, 1e-3)
		})
	}
}

func pick[T any](yes bool, a, b T) T {
	if yes {
		return a
	}
	return b
}

// From one event to the next across a gap there may have been others: that is no period.
func TestNoPeriodAcrossAGap(t *testing.T) {
	amps := make([]float32, 3000)
	for i := range amps {
		amps[i] = pick(i%1000 >= 500 && i%1000 < 600, float32(50e-3), float32(2e-6))
	}
	r, err := drain.Analyse(func(yield func(*drain.Block, error) bool) {
		for k := range int64(3) {
			if !yield(&drain.Block{Start: 5000 * k, Amps: amps[1000*k : 1000*k+1000]}, nil) {
				return
			}
		}
	}, drain.Options{IntervalSeconds: 1e-3})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Kinds) != 1 || r.Kinds[0].Count != 3 || !math.IsNaN(r.Kinds[0].PeriodSeconds) {
		t.Errorf("%+v", r.Kinds)
	}
}

func TestGivenNames(t *testing.T) {
	rng := rand.New(rand.NewPCG(10, 10))
	tr := newTrace(1e-3)
	for range 100 {
		tr.play(level{2e-6, 0.8}, level{3e-3, 20e-3}, level{8e-3, 40e-3}, level{50e-3, 60e-3})
	}
	tr.hold(2e-6, 0.5)
	x := tr.amps(rng, constantNoise(2e-8))
	for _, c := range []struct {
		name  string
		given []drain.Named
		want  []string
		notes int
	}{
		{"none", nil, []string{"sleep", "activity 1", "activity 2", "activity 3"}, 0},
		{"in order", []drain.Named{{Name: "rest"}, {Name: "sample"}, {Name: "process"}, {Name: "radio"}}, []string{"rest", "sample", "process", "radio"}, 0},
		{"fewer: the nearest are one", []drain.Named{{Name: "rest"}, {Name: "work"}, {Name: "radio"}}, []string{"rest", "work", "radio"}, 0},
		{"more", []drain.Named{{Name: "a"}, {Name: "b"}, {Name: "c"}, {Name: "d"}, {Name: "e"}}, []string{"a", "b", "c", "d"}, 1},
		{"by current", []drain.Named{{"radio", 20e-3, 1}, {"work", 1e-3, 20e-3}, {"rest", -1, 10e-6}}, []string{"rest", "work", "radio"}, 0},
		{"by current, one left", []drain.Named{{"radio", 20e-3, 1}}, []string{"sleep", "activity 1", "activity 2", "radio"}, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := drain.Analyse(whole(x), drain.Options{IntervalSeconds: 1e-3, States: c.given, Ranges: []drain.RangeError{{Name: "unit ch1 amps 1 A", Full: 1, Gain: 1e-3}}})
			if err != nil {
				t.Fatal(err)
			}
			conserved(t, r)
			var got []string
			for _, s := range r.States {
				got = append(got, s.Name)
			}
			if len(got) != len(c.want) {
				t.Fatalf("%q, want %q", got, c.want)
			}
			for i := range got {
				if got[i] != c.want[i] {
					t.Errorf("%q, want %q", got, c.want)
				}
			}
			if len(r.Notes) != c.notes {
				t.Errorf("notes: %q", r.Notes)
			}
		})
	}
}

func TestRefused(t *testing.T) {
	failed := errors.New("disk gone")
	some := drain.Options{IntervalSeconds: 1}
	one := []float32{1}
	give := func(b ...drain.Block) drain.Blocks {
		return func(yield func(*drain.Block, error) bool) {
			for i := range b {
				if !yield(&b[i], nil) {
					return
				}
			}
		}
	}
	for _, c := range []struct {
		name   string
		blocks drain.Blocks
		o      drain.Options
		is     error
	}{
		{"no samples", give(), some, drain.ErrEmpty},
		{"empty blocks", give(drain.Block{}), some, drain.ErrEmpty},
		{"no interval", give(drain.Block{Amps: one}), drain.Options{}, nil},
		{"NaN interval", give(drain.Block{Amps: one}), drain.Options{IntervalSeconds: math.NaN()}, nil},
		{"overlap", give(drain.Block{Amps: []float32{1, 2}}, drain.Block{Start: 1, Amps: one}), some, nil},
		{"NaN", give(drain.Block{Amps: []float32{1, float32(math.NaN())}}), some, nil},
		{"infinite", give(drain.Block{Amps: []float32{1, float32(math.Inf(-1))}}), some, nil},
		{"NaN volts", give(drain.Block{Amps: one, Volts: []float32{float32(math.NaN())}}), some, nil},
		{"volts of another length", give(drain.Block{Amps: one, Volts: []float32{1, 2}}), some, nil},
		{"volts now and then", give(drain.Block{Amps: one}, drain.Block{Start: 1, Amps: one, Volts: one}), some, nil},
		{"unknown range", give(drain.Block{Amps: one, Runs: []drain.Run{{Range: 1}}}), drain.Options{IntervalSeconds: 1, Ranges: make([]drain.RangeError, 1)}, nil},
		{"failing", func(yield func(*drain.Block, error) bool) { yield(nil, failed) }, some, failed},
	} {
		if _, err := drain.Analyse(c.blocks, c.o); err == nil || c.is != nil && !errors.Is(err, c.is) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// Where a recording has more stretches of states than are kept, the ones that stay are spread over all of it.
func TestStretchesKeptAreSpread(t *testing.T) {
	const ticks, apart = 25000, 40
	x := make([]float32, ticks*apart)
	for i := range x {
		x[i] = 1e-6
		if i%apart == apart/2 {
			x[i] = 1e-4
		}
	}
	r := analyse(t, x, 1e-3)
	if len(r.Spans) > drain.MaxSpans || r.Merged == 0 || len(r.Spans) < drain.MaxSpans*9/10 {
		t.Fatalf("%d stretches kept, %d joined to others", len(r.Spans), r.Merged)
	}
	var thirds [3]int
	for _, s := range r.Spans {
		thirds[int(s.From)*3/len(x)]++
	}
	for k, n := range thirds {
		if n < len(r.Spans)/4 {
			t.Errorf("of %d stretches %d lie in part %d of 3: %v", len(r.Spans), n, k+1, thirds)
		}
	}
}
