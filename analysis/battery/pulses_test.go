package battery_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"fourwire/analysis/battery"
)

// made is a pulse test of a cell as it would be recorded: rest, a pulse, rest, with white noise on the voltage.
func made(c *battery.Cell, from, amps, every, rest, pulse, after, noise float64, rng *rand.Rand, means bool) *battery.Record {
	s := c.At(from)
	r := &battery.Record{Means: means}
	fine := max(10, int(5*every)) // parts of a sample, for its mean
	if !means {
		fine = 1 // the value at its middle
	}
	for t := 0.0; t < rest+pulse+after-every/2; t += every {
		i := 0.0
		if t >= rest-every/2 && t < rest+pulse-every/2 {
			i = amps
		}
		sum := 0.0
		for range fine {
			c.Step(&s, i, every/float64(fine)/2)
			sum += c.Terminal(&s, i)
			c.Step(&s, i, every/float64(fine)/2)
		}
		volts := sum / float64(fine)
		r.Seconds, r.Amps, r.Volts = append(r.Seconds, t+every/2), append(r.Amps, i), append(r.Volts, volts+noise*rng.NormFloat64())
	}
	return r
}

func flatCell() *battery.Cell {
	return &battery.Cell{CapacityCoulomb: 18000, OCV: battery.Constant(3.7), Ohm: battery.Constant(0.050),
		Pairs: []battery.Pair{{Ohm: battery.Constant(0.020), TauSeconds: 20}, {Ohm: battery.Constant(0.030), TauSeconds: 600}}}
}

// The record of the circuit simulator gives back the parts of its netlist within 1 %.
func TestFitOfTheCircuitSimulator(t *testing.T) {
	d := columns(t, "spice-battery-pulse.csv")
	// the edges of the pulse are known to be at 10.0005 s and 110.0015 s: intervals end there
	r := &battery.Record{Seconds: d["time_s"], Volts: d["voltage_V"], Amps: d["current_A"]}
	edges := []float64{0}
	for i := 1; i < len(r.Seconds); i++ {
		edge := (r.Seconds[i-1] + r.Seconds[i]) / 2
		switch {
		case r.Amps[i] > r.Amps[i-1]:
			edge = 10.0005
		case r.Amps[i] < r.Amps[i-1]:
			edge = 110.0015
		}
		edges = append(edges, edge)
	}
	r.Edges = append(edges, r.Seconds[len(r.Seconds)-1]+5)
	f, err := battery.FitPulses(r, battery.PulseOptions{Pairs: 2})
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range []struct {
		name string
		got  battery.Figure
		want float64
	}{{"R0", f.Ohm, 0.05}, {"R1", f.Pairs[0].Ohm, 0.02}, {"tau1", f.Pairs[0].Tau, 20}, {"R2", f.Pairs[1].Ohm, 0.03}, {"tau2", f.Pairs[1].Tau, 600}, {"V0", f.RestVolts, 3.7}} {
		within(t, w.name, w.got.Value, w.want, 0.001*w.want)
		if w.got.U <= 0 || w.got.U > 0.01*w.want {
			t.Errorf("%s: U %g", w.name, w.got.U)
		}
	}
	if f.ResidualVolts > 1e-6 {
		t.Errorf("residual %g V", f.ResidualVolts)
	}
	// two pairs are what the record itself asks for
	chosen, err := battery.FitPulses(r, battery.PulseOptions{})
	if err != nil || len(chosen.Pairs) != 2 {
		t.Errorf("chosen %d pairs, %v", len(chosen.Pairs), err)
	}
}

// The seven values printed by the simulator (to 1 uV), at the times its netlist asks for, are enough as well.
func TestFitOfSevenPrintedValues(t *testing.T) {
	nan := math.NaN()
	r := &battery.Record{
		Seconds: []float64{5, 9.9, 10.1, 30, 109.9, 110.1, 200, 999.9},
		Amps:    []float64{0, 0, 1, 1, 1, 0, 0, 0},
		Volts:   []float64{nan, 3.7, 3.649896, 3.636374, 3.625534, 3.675628, 3.695815, 3.698955},
		Edges:   []float64{0, 9, 10.0005, 20, 70, 110.0015, 150, 600, 1000},
	}
	f, err := battery.FitPulses(r, battery.PulseOptions{Pairs: 2})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "R0", f.Ohm.Value, 0.05, 0.0005)
	within(t, "R1", f.Pairs[0].Ohm.Value, 0.02, 0.0002)
	within(t, "tau1", f.Pairs[0].Tau.Value, 20, 0.2)
	within(t, "R2", f.Pairs[1].Ohm.Value, 0.03, 0.0003)
	within(t, "tau2", f.Pairs[1].Tau.Value, 600, 6)
}

// Of many synthesised tests, the figures lie within their stated uncertainty in about 95 %: from 90 to 99 % of 200 draws
// leaves the binomial scatter (standard deviation 1.5 %) its room.
func TestPulseFitsCoverTheTruth(t *testing.T) {
	c := flatCell()
	const draws = 200
	names := []string{"V0", "R0", "R1", "tau1", "R2", "tau2"}
	truth := []float64{3.7, 0.05, 0.02, 20, 0.03, 600}
	for _, w := range []struct {
		name         string
		every, noise float64
		means        bool
	}{
		{"means, fine", 4, 100e-6, true},
		{"means hardly shorter than a time constant", 20, 10e-6, true},
		{"values at the middle", 20, 10e-6, false},
	} {
		hits := make([]int, len(truth))
		for seed := range uint64(draws) {
			rng := rand.New(rand.NewPCG(seed, 7))
			r := made(c, 0.5, 2, w.every, 40, 400, 2400, w.noise, rng, w.means)
			f, err := battery.FitPulses(r, battery.PulseOptions{Pairs: 2})
			if err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			for i, g := range []battery.Figure{f.RestVolts, f.Ohm, f.Pairs[0].Ohm, f.Pairs[0].Tau, f.Pairs[1].Ohm, f.Pairs[1].Tau} {
				if math.Abs(g.Value-truth[i]) <= g.U {
					hits[i]++
				}
			}
		}
		for i, n := range hits {
			share := float64(n) / draws
			t.Logf("%s: %s: %.1f %% of %d draws inside U", w.name, names[i], 100*share, draws)
			if share < 0.90 || share > 0.995 {
				t.Errorf("%s: %s: %.1f %% inside U", w.name, names[i], 100*share)
			}
		}
	}
}

// With an open-circuit voltage that falls with the charge drawn, the slope is found too, or taken off where it is known.
func TestPulseFitWithASlope(t *testing.T) {
	c := flatCell()
	c.OCV, _ = battery.Rising([]float64{0, 1}, []float64{3.2, 4.2}, battery.Linear)
	rng := rand.New(rand.NewPCG(3, 4))
	r := made(c, 0.5, 2, 2, 40, 400, 3600, 50e-6, rng, true)
	for _, o := range []battery.PulseOptions{{Pairs: 2, FitSlope: true}, {Pairs: 2, VoltsPerCoulomb: 1.0 / 18000}} {
		f, err := battery.FitPulses(r, o)
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range []struct {
			name string
			got  battery.Figure
			want float64
		}{{"R0", f.Ohm, 0.05}, {"R1", f.Pairs[0].Ohm, 0.02}, {"tau1", f.Pairs[0].Tau, 20}, {"R2", f.Pairs[1].Ohm, 0.03}, {"tau2", f.Pairs[1].Tau, 600}} {
			within(t, w.name, w.got.Value, w.want, 0.05*w.want)
		}
		within(t, "slope", f.VoltsPerCoulomb.Value*18000, 1, 0.02)
	}
	// left out, the slope goes into the pairs, and the fit says that something is wrong
	f, err := battery.FitPulses(r, battery.PulseOptions{Pairs: 2})
	if err == nil && f.ResidualVolts < 100e-6 {
		t.Errorf("without the slope the residual is %g V", f.ResidualVolts)
	}
}

// Spikes are left out and counted.
func TestPulseFitLeavesSpikesOut(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	r := made(flatCell(), 0.5, 2, 4, 40, 400, 2400, 100e-6, rng, true)
	for _, i := range []int{50, 300, 301} {
		r.Volts[i] += 0.1
	}
	f, err := battery.FitPulses(r, battery.PulseOptions{Pairs: 2})
	if err != nil || f.LeftOut != 3 {
		t.Fatalf("%d left out, %v", f.LeftOut, err)
	}
	within(t, "R0", f.Ohm.Value, 0.05, 2*f.Ohm.U)
}

// What cannot be fitted is refused with its reason.
func TestPulseFitRefuses(t *testing.T) {
	steady := &battery.Record{Seconds: []float64{1, 2, 3, 4, 5, 6, 7, 8}, Amps: make([]float64, 8), Volts: []float64{3, 3, 3, 3, 3, 3, 3, 3}}
	if _, err := battery.FitPulses(steady, battery.PulseOptions{}); err != battery.ErrNoPulse {
		t.Errorf("a steady record: %v", err)
	}
	few := &battery.Record{Seconds: []float64{1, 2, 3}, Amps: []float64{0, 1, 0}, Volts: []float64{3, 2.9, 3}}
	if _, err := battery.FitPulses(few, battery.PulseOptions{Pairs: 2}); err == nil {
		t.Error("three samples were fitted")
	}
	back := &battery.Record{Seconds: []float64{1, 3, 2}, Amps: []float64{0, 1, 0}, Volts: []float64{3, 2.9, 3}}
	if _, err := battery.FitPulses(back, battery.PulseOptions{}); err == nil {
		t.Error("time ran backwards")
	}
}
