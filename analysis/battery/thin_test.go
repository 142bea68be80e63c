package battery_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"fourwire/analysis/battery"
)

// A long even record is thinned to a few hundred means, which hold the same charge and give back the parts of the cell.
func TestThinnedTraceGivesTheCellBack(t *testing.T) {
	c := flatCell()
	const every = 0.01
	s := c.At(0.5)
	rng := rand.New(rand.NewPCG(1, 2))
	thin := battery.NewThinner(every, 0.1, 60)
	var amps, volts []float32
	index, charge := int64(0), 0.0
	for _, leg := range []struct{ amps, seconds float64 }{{0, 20}, {2, 400}, {0, 2000}} {
		for range int(leg.seconds / every) {
			c.Step(&s, leg.amps, every/2)
			v := c.Terminal(&s, leg.amps) + 100e-6*rng.NormFloat64()
			c.Step(&s, leg.amps, every/2)
			amps, volts = append(amps, float32(leg.amps)), append(volts, float32(v))
			charge += leg.amps * every
			if len(amps) == 997 {
				thin.Add(index, amps, volts)
				index += int64(len(amps))
				amps, volts = amps[:0], volts[:0]
			}
		}
	}
	thin.Add(index, amps, volts)
	r := thin.Record()
	if n := len(r.Seconds); n < 200 || n > 2000 {
		t.Errorf("%d means", n)
	}
	_, q := r.Charge()
	within(t, "charge", q, charge, 1e-6*charge)
	f, err := battery.FitPulses(r, battery.PulseOptions{Pairs: 2})
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range []struct {
		name string
		got  battery.Figure
		want float64
	}{{"R0", f.Ohm, 0.05}, {"R1", f.Pairs[0].Ohm, 0.02}, {"tau1", f.Pairs[0].Tau, 20}, {"R2", f.Pairs[1].Ohm, 0.03}, {"tau2", f.Pairs[1].Tau, 600}} {
		within(t, w.name, w.got.Value, w.want, 0.01*w.want)
	}
	within(t, "first look after the step", f.FirstSeconds, every/2, 1e-9)
}

// A gap is bridged by the current before it, without a voltage, and counted.
func TestThinnerBridgesAGap(t *testing.T) {
	thin := battery.NewThinner(1, 0.1, 10)
	thin.Add(5, []float32{1, 1}, []float32{3, 3})
	thin.Add(20, []float32{1, 1}, []float32{3, 3})
	r := thin.Record()
	if err := r.Check(); err != nil {
		t.Fatal(err)
	}
	_, q := r.Charge()
	if thin.Gaps != 2 || thin.SkippedIn != 18 || q != 17 {
		t.Errorf("%d gaps of %g s, %g C", thin.Gaps, thin.SkippedIn, q)
	}
	unknown := 0
	for _, v := range r.Volts {
		if math.IsNaN(v) {
			unknown++
		}
	}
	if unknown != 1 {
		t.Errorf("%d unknown voltages: %v", unknown, r.Volts)
	}
}

func TestSimplifiedStaysWithinItsTolerance(t *testing.T) {
	for _, name := range []string{"liion-inr21700m50t-ocv.csv", "lfp-apr18650m1b-ocv.csv"} {
		full := openCircuit(t, name)
		few := full.Simplified(0.001)
		charge, volts := full.Points()
		worst := 0.0
		for i, s := range charge {
			worst = max(worst, math.Abs(few.At(s)-volts[i]))
		}
		if worst > 0.001 || few.Len() > full.Len()/3 || few.Len() < 10 {
			t.Errorf("%s: %d of %d points, worst %g V", name, few.Len(), full.Len(), worst)
		}
		within(t, name+" mean", few.Mean(), full.Mean(), 0.001)
	}
}

func BenchmarkThinner(b *testing.B) {
	amps, volts := make([]float32, 1000), make([]float32, 1000)
	thin := battery.NewThinner(1e-3, 1, 60)
	index := int64(0)
	for b.Loop() {
		thin.Add(index, amps, volts)
		index += 1000
	}
}
