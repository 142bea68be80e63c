package drain_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"fourwire/analysis/drain"
	"fourwire/quantity/measured"
)

// A range's gain acts on the charge measured in it, its offset on the time spent in it (JCGM 100:2008, 5.1, by hand): 90 s at 10 uA in the 1 mA
// range and 10 s at 20 mA in the 1 A range.
func TestUncertaintyOfTheRangesInUse(t *testing.T) {
	var amps, volts []float32
	var ranges []uint8
	for i := range 100_000 {
		if i%1000 < 900 {
			amps, ranges = append(amps, 10e-6), append(ranges, 0)
		} else {
			amps, ranges = append(amps, 20e-3), append(ranges, 1)
		}
		volts = append(volts, 3)
	}
	var l measured.Ledger
	r, err := drain.Analyse(cutBlocks(amps, volts, ranges, -1, -1, func() int { return 5000 }), drain.Options{
		IntervalSeconds: 1e-3, Ranges: twoRanges, Volts: &drain.RangeError{Name: "unit ch1 volts 6 V", Gain: 2e-4, Offset: 1e-3}, Ledger: &l,
	})
	if err != nil {
		t.Fatal(err)
	}
	conserved(t, r)
	const low, high = 900e-6, 200e-3 // C
	small := math.Hypot(low*5e-4, 90*2e-9)
	large := math.Hypot(high*1e-3, 10*50e-6)
	near(t, "u of the charge", r.Charge.Std(), math.Hypot(small, large), 1e-6)
	near(t, "u of the mean", r.Mean.Std(), math.Hypot(small, large)/100, 1e-6)
	near(t, "u of sleep", r.States[0].Charge.Std(), small, 1e-6)
	near(t, "u of the activity", r.States[1].Charge.Std(), large, 1e-6)
	near(t, "u of an event", r.EventCharge(3).Std(), large/100, 1e-6)
	near(t, "u of a kind", r.Kinds[0].Charge.Std(), large*float64(r.Kinds[0].Count)/100, 1e-6)
	near(t, "u of the energy", r.Energy.Std(), math.Hypot(3*math.Hypot(small, large), math.Hypot(r.Energy.X*2e-4, (low+high)*1e-3)), 1e-6)
	near(t, "u of the peak", r.Peak.Std(), math.Hypot(20e-3*1e-3, 50e-6), 1e-6)
	rms := math.Sqrt(0.9*1e-10 + 0.1*4e-4)
	near(t, "the RMS", r.RMS.X, rms, 1e-6)
	near(t, "u of the RMS", r.RMS.Std(), math.Hypot(0.1*4e-4*1e-3/rms, 0.1*20e-3*50e-6/rms), 1e-4)
	if b, _ := r.Charge.Biggest(); l.Input(b.Input).Name != "unit ch1 amps 1 A offset" {
		t.Errorf("the biggest part is from %q", l.Input(b.Input).Name)
	}
	// not from the mean alone: 2.009 mA would lie in the 1 A range and have 2.5 % of its offset
	if r.Ranges[0].Seconds != 90 || r.Ranges[1].Seconds != 10 || math.Abs(r.Ranges[0].Coulombs-low) > 1e-9 {
		t.Errorf("%+v", r.Ranges)
	}
	// shared inputs: the parts add up to the whole, terms and all
	sum := measured.Add(r.States[0].Charge, r.States[1].Charge)
	near(t, "u of the sum of states", sum.Std(), r.Charge.Std(), 1e-9)
	if c := measured.Covariance(r.States[0].Charge, r.States[1].Charge); c != 0 {
		t.Errorf("states in different ranges have covariance %g", c)
	}
}

// A difference between two recordings of one unit has its gain only on the difference, and no offset; with another unit it has both.
func TestComparisonCancelsWhatIsShared(t *testing.T) {
	make := func(name string, active float64) *drain.Result {
		tr := newTrace(1e-3)
		for range 100 {
			tr.play(level{2e-6, 0.5}, level{active, 0.1}, level{2e-6, 0.4})
		}
		r, err := drain.Analyse(whole(tr.amps(rand.New(rand.NewPCG(1, 1)), constantNoise(2e-8))), drain.Options{
			IntervalSeconds: 1e-3, Ranges: []drain.RangeError{{Name: name, Full: 1, Gain: 1e-3, Offset: 1e-5}},
		})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	a, b, other := make("unit 1 amps 1 A", 20e-3), make("unit 1 amps 1 A", 19e-3), make("unit 2 amps 1 A", 19e-3)
	line := func(c drain.Comparison, measure string) drain.Change {
		for _, k := range c.Kinds {
			if k.Measure == measure {
				return k
			}
		}
		t.Fatalf("no %s: %+v", measure, c.Kinds)
		return drain.Change{}
	}
	same := line(drain.Compare(a, b), drain.EachEvent)
	near(t, "the difference", same.Difference.X, -1e-4, 1e-3)
	near(t, "u of the difference, one unit", same.Difference.Std(), 1e-4*1e-3, 1e-2)
	if same.Verdict != drain.Better {
		t.Errorf("%+v", same)
	}
	apart := line(drain.Compare(a, other), drain.EachEvent)
	near(t, "u of the difference, two units", apart.Difference.Std(), math.Hypot(math.Hypot(2e-3*1e-3, 1.9e-3*1e-3), math.Sqrt2*1e-6), 1e-2)
	if c := drain.Compare(b, a); c.Total.Verdict == drain.Better {
		t.Errorf("%+v", c.Total)
	}
	if c := drain.Compare(a, a); c.Total.Verdict != drain.NoDifference || c.Total.Difference.Std() > 1e-15 {
		t.Errorf("a recording against itself: %+v", c.Total)
	}
	for _, s := range drain.Compare(a, a).States {
		if s.Verdict != drain.NoDifference {
			t.Errorf("a recording against itself: %+v", s)
		}
	}
}

func TestComparisonNamesWhatHasNoLike(t *testing.T) {
	make := func(levels ...level) *drain.Result {
		tr := newTrace(1e-3)
		for range 50 {
			tr.hold(2e-6, 0.5)
			tr.play(levels...)
			tr.hold(2e-6, 0.4)
		}
		return analyse(t, tr.amps(rand.New(rand.NewPCG(1, 1)), constantNoise(2e-8)), 1e-3)
	}
	a, b := make(level{8e-3, 0.02}, level{50e-3, 0.06}), make(level{50e-3, 0.06}, level{200e-6, 0.02})
	var got []string
	for _, s := range drain.Compare(a, b).States {
		got = append(got, fmt.Sprintf("%s, %s: %v", s.Name, s.Measure, s.Verdict == drain.OnlyInA || s.Verdict == drain.OnlyInB))
	}
	want := []string{
		"sleep, mean current: false", "sleep, in the state: false", "activity 1, mean current: true",
		"activity 2, mean current: false", "activity 2, in the state: false", "activity 1, mean current: true",
	}
	if !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
}

// Relative standard error 1/sqrt N of irregular events and 1/(2 N) of periodic ones (k = 2: 1/N), the rule of how long to record; besides the
// spread of the means of many recordings must be what a single one claims.
func TestLengthOfTheRecording(t *testing.T) {
	record := func(seed uint64, periodic bool, events int) *drain.Result {
		rng := rand.New(rand.NewPCG(seed, 13))
		tr := newTrace(1e-2)
		length := float64(events) * 1.0
		for next := rng.Float64(); tr.now < length; {
			tr.hold(1e-6, max(0.02, next-tr.now))
			tr.hold(20e-3, 0.1)
			if periodic {
				next++
			} else {
				next = tr.now + 0.02 + rng.ExpFloat64()*0.88
			}
		}
		return analyse(t, tr.amps(rng, constantNoise(1e-8))[:int(length/1e-2)], 1e-2)
	}
	for _, c := range []struct {
		name     string
		periodic bool
		events   int
	}{{"irregular", false, 400}, {"periodic", true, 100}} {
		t.Run(c.name, func(t *testing.T) {
			var means, claims []float64
			for seed := range uint64(24) {
				r := record(seed, c.periodic, c.events)
				means, claims = append(means, r.Mean.X), append(claims, r.Statistics.Mean/r.Mean.X)
				if r.Statistics.Regular != c.periodic {
					t.Errorf("seed %d: regular is %v", seed, r.Statistics.Regular)
				}
			}
			var sum, squares, claim float64
			for i, m := range means {
				sum += m
				squares += m * m
				claim += claims[i] / float64(len(claims))
			}
			n := float64(len(means))
			real := math.Sqrt(max(0, squares/n-(sum/n)*(sum/n))) / (sum / n)
			want := 1 / (2 * float64(c.events))
			if !c.periodic {
				// each event and its pause make a period of standard deviation 0.88 s of 1 s
				want = 0.88 / math.Sqrt(float64(c.events))
			}
			if claim < 0.8*want || claim > 1.2*want {
				t.Errorf("claims %.3g of the mean, the rule says %.3g", claim, want)
			}
			if real > 1.4*claim || !c.periodic && real < 0.6*claim {
				t.Errorf("claims %.3g of the mean, recordings really differ by %.3g", claim, real)
			}
			t.Logf("claimed %.4f %%, real %.4f %%, rule %.4f %%", 100*claim, 100*real, 100*want)
		})
	}
}

func ExampleAnalyse() {
	var amps []float32 // 100 s of a beacon at 100 Sa/s: 2 uA, and each second 50 mA for 60 ms
	for i := range 10_000 {
		if i%100 >= 40 && i%100 < 46 {
			amps = append(amps, 50e-3)
		} else {
			amps = append(amps, 2e-6)
		}
	}
	blocks := func(yield func(*drain.Block, error) bool) { yield(&drain.Block{Amps: amps}, nil) }
	r, err := drain.Analyse(blocks, drain.Options{IntervalSeconds: 0.01})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, s := range r.States {
		fmt.Printf("%s: %.3g mA for %.3g s, %.2f %% of the charge\n", s.Name, 1e3*s.Amps, s.Seconds, 100*s.Share)
	}
	for _, k := range r.Kinds {
		fmt.Printf("%d events, one every %g s, of %.3g mC\n", k.Count, k.PeriodSeconds, 1e3*k.MeanCharge.X)
	}
	// Output:
	// sleep: 0.002 mA for 94 s, 0.06 % of the charge
	// activity 1: 50 mA for 6 s, 99.94 % of the charge
	// 100 events, one every 1 s, of 3 mC
}
