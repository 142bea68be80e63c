package pulse_test

import (
	"math"
	"math/rand/v2"
	"os"
	"sort"
	"strings"
	"testing"

	"fourwire/analysis/pulse"
)

// tally counts, for one figure, how often the stated interval holds the truth.
type tally struct {
	held, draws, missing int
	bias, spread, u      float64 // sums of error, of its square, of U
	conservative         string  // why more than 98 % is right; empty where it is not
}

type tallies struct {
	of    map[string]*tally
	order []string
}

func (ts *tallies) add(name string, f pulse.Figure, truth float64, conservative string) {
	c := ts.of[name]
	if c == nil {
		c = &tally{conservative: conservative}
		ts.of[name] = c
		ts.order = append(ts.order, name)
	}
	c.draws++
	if !f.OK() {
		c.missing++
		return
	}
	e := f.X - truth
	if math.Abs(e) <= f.U {
		c.held++
	}
	c.bias += e
	c.spread += e * e
	c.u += f.U
}

// judge prints the table and demands 92 to 98 % of 500 draws or more; k = 2 promises 95.45 % (3 standard deviations of 500
// binomial draws are 2.8 %). Above that is right only where a reason stands.
func (ts *tallies) judge(t *testing.T) {
	t.Helper()
	sort.Strings(ts.order)
	for _, name := range ts.order {
		c := ts.of[name]
		n := float64(c.draws - c.missing)
		share := float64(c.held) / n
		// twice the scatter seen over U: 1 where U is right
		sharp := 2 * math.Sqrt(c.spread/n) / (c.u / n)
		t.Logf("%-34s held %5.1f %%  bias %+.2f s  mean U %.3g  missing %d  %s", name, 100*share, c.bias/n/math.Sqrt(c.spread/n), c.u/n, c.missing, c.conservative)
		low, high := 0.92, 0.98
		if c.draws < 500 {
			low, high = 0.87, 1 // three standard deviations of 120 draws
		}
		blunt := 0.75
		if strings.HasPrefix(name, "settl") {
			blunt = 0.45 // U reaches to the farther of two sides
		}
		switch {
		case float64(c.missing) > 0.02*float64(c.draws):
			t.Errorf("%s: missing in %d of %d draws", name, c.missing, c.draws)
		case share < low:
			t.Errorf("%s: the interval holds the truth in %.1f %% of the draws", name, 100*share)
		case sharp < blunt && c.conservative == "":
			t.Errorf("%s: the scatter is only %.2f of what U says", name, sharp)
		case share > high && c.conservative == "":
			t.Errorf("%s: the interval is too wide: it holds the truth in %.1f %% of the draws", name, 100*share)
		}
	}
}

// draws is how many: 600 where time allows, 120 always.
func draws() int {
	if os.Getenv("FOURWIRE_LONG") == "1" {
		return 600
	}
	return 120
}

// edgeCase is a single rising edge between 0 and 1 with its exact figures, formulas in the published tables.
type edgeCase struct {
	name                            string
	f                               form
	from, to, interval              float64
	t10, t50, t90                   float64
	over, under, settled            float64
	wideOver, wideUnder, wideSettle string // why the interval may be too wide
}

const hidden = "zero, or too small to stand out of the noise: U is the least that would have been seen"

const (
	ambiguous = "U spans the entries into a wider and a narrower band, the farther of which decides"
	corner    = "the band ends just before a corner: what the form of the edge makes uncertain is estimated high"
)

func edgeCases(t *testing.T) []edgeCase {
	cases := []edgeCase{
		{name: "one pole", f: onePole, from: -5, to: 14, interval: 0.01, t10: -math.Log(0.9), t50: math.Ln2, t90: math.Log(10), settled: math.Log(50)},
		{name: "two equal poles", f: twoPoles, from: -6, to: 24, interval: 0.02, t10: 0.5318116083, t50: 1.6783469900, t90: 3.8897201699, settled: 5.8339194},
		{name: "gaussian", f: gaussianEdge, from: -8, to: 8, interval: 0.01, t10: -1.2815515655, t50: 0, t90: 1.2815515655, settled: 2.0537489106},
		{name: "ramp", f: ramp, from: -3, to: 4, interval: 0.005, t10: 0.1, t50: 0.5, t90: 0.9, settled: 0.98},
		{name: "raised cosine", f: raisedCosine, from: -3, to: 4, interval: 0.005, t10: 0.2048327647, t50: 0.5, t90: 0.7951672353, settled: math.Acos(-0.96) / math.Pi},
	}
	cases[1].wideSettle, cases[3].wideSettle, cases[4].wideSettle = ambiguous, corner, corner
	for i := range cases {
		cases[i].wideOver, cases[i].wideUnder = hidden, hidden
	}
	_, rows := table(t, "testdata/pulse-second-order.csv")
	for _, row := range rows {
		v := make([]float64, len(row))
		for i := range row {
			v[i] = number(t, row[i])
		}
		c := edgeCase{name: "second order " + row[0], f: secondOrder(v[0]), from: -8, to: max(22, 9/v[0]), interval: 0.02,
			over: v[1] / 100, t10: v[3], t50: v[4], t90: v[5], under: v[7] / 100, settled: v[9]}
		if v[1] < 2 {
			c.wideOver = hidden
		}
		if v[7] < 1 {
			c.wideUnder = hidden
		}
		switch row[0] {
		case "0.1", "0.2", "0.4", "0.8":
			c.wideSettle = "a peak of the ringing nearly touches the band: noise decides whether it counts, U reaches as far"
		}
		if row[0] == "0.9" {
			c.wideSettle = corner
		}
		cases = append(cases, c)
	}
	return cases
}

// TestEdgeCoverage draws noise at 40 dB below the amplitude and a shift against the samples.
func TestEdgeCoverage(t *testing.T) {
	ts := &tallies{of: map[string]*tally{}}
	r := rand.New(rand.NewPCG(11, 40))
	for _, c := range edgeCases(t) {
		for range draws() {
			tr, shift := sampled(c.f, c.from, c.to, c.interval, 0.01, r)
			rep := analysed(t, tr, pulse.Options{})
			if len(rep.Transitions) != 1 {
				t.Fatalf("%s: %d transitions, %s", c.name, len(rep.Transitions), rep.Missing)
			}
			x := rep.Transitions[0]
			ts.add("low: "+c.name, rep.Low, 0, "")
			ts.add("high: "+c.name, rep.High, 1, "")
			ts.add("amplitude: "+c.name, rep.Amplitude, 1, "")
			ts.add("10 %: "+c.name, x.First, c.t10+shift, "")
			ts.add("50 %: "+c.name, x.Middle, c.t50+shift, "")
			ts.add("90 %: "+c.name, x.Last, c.t90+shift, "")
			ts.add("10-90 %: "+c.name, x.Duration, c.t90-c.t10, "")
			ts.add("slew: "+c.name, x.Slew, 0.8/(c.t90-c.t10), "")
			ts.add("overshoot: "+c.name, x.Overshoot, c.over, c.wideOver)
			ts.add("undershoot: "+c.name, x.Undershoot, c.under, c.wideUnder)
			ts.add("preshoot: "+c.name, x.Preshoot, 0, hidden)
			ts.add("settled: "+c.name, x.Settled, c.settled+shift, c.wideSettle)
			ts.add("settling: "+c.name, x.Settling, c.settled-c.t50, c.wideSettle)
		}
	}
	ts.judge(t)
}

// drooping is a train of trapezoid pulses whose tops droop in a straight line.
func drooping(tr, tp, tf, period, droop float64) form {
	f := trapezoid(tr, tp, tf, period)
	return func(t float64) float64 {
		y := f(t)
		if t < 0 || y == 0 {
			return y
		}
		in := math.Mod(t, period)
		// the 50 % instants lie tr/2 after the start and tf/2 before the end
		return y * (1 - droop*(in-tr/2)/(tp+(tr+tf)/2))
	}
}

func TestTrainCoverage(t *testing.T) {
	ts := &tallies{of: map[string]*tally{}}
	r := rand.New(rand.NewPCG(12, 40))
	const rise, flat, fall, period = 0.2, 1.0, 0.4, 3.0
	for range draws() {
		tr, shift := sampled(trapezoid(rise, flat, fall, period), -1, 8.5, 0.005, 0.01, r)
		rep := analysed(t, tr, pulse.Options{})
		if len(rep.Pulses) != 5 {
			t.Fatalf("%d pulses", len(rep.Pulses))
		}
		p, gap := rep.Pulses[0], rep.Pulses[1]
		length := flat + (rise+fall)/2 // PU-12 of the published check values
		ts.add("start", p.Start, rise/2+shift, "")
		ts.add("duration", p.Duration, length, "")
		ts.add("duration of a negative pulse", gap.Duration, period-length, "")
		ts.add("period of one pulse", p.Period, period, "")
		ts.add("duty", p.Duty, length/period, "")
		ts.add("mean period", rep.Period, period, "")
		ts.add("frequency", rep.Frequency, 1/period, "")
		ts.add("no droop", p.Droop, 0, "")
		ts.add("recovery", p.Recovery, fall*(0.98-0.5), corner)
		ts.add("rise", rep.Transitions[0].Duration, 0.8*rise, "")
		ts.add("fall", rep.Transitions[1].Duration, 0.8*fall, "")
		ts.add("fall settled", rep.Transitions[1].Settled, rise+flat+0.98*fall+shift, corner)

		other, shifted := sampled(func(t float64) float64 { return 3 - 2*raisedCosine((t-0.35)/0.5) }, -1, 3, 0.01, 0.02, r)
		d, err := pulse.Delay(tr, true, other, false, pulse.Options{}, pulse.Options{})
		if err != nil {
			t.Fatal(err)
		}
		ts.add("delay to a falling edge", d, 0.6+shifted-rise/2-shift, "")

		long, _ := sampled(drooping(0.1, 5, 0.1, 20, 0.06), -1, 12, 0.01, 0.01, r)
		// the state levels are stated: the mode of a top that droops is anywhere on it
		rep = analysed(t, long, pulse.Options{Levels: true, Low: 0, High: 1})
		ts.add("droop", rep.Pulses[0].Droop, 0.06, "")
	}
	ts.judge(t)
}

// TestCoarseCoverage has few samples on an edge, or few codes of a digitiser, where sampling and resolution decide and not noise.
func TestCoarseCoverage(t *testing.T) {
	ts := &tallies{of: map[string]*tally{}}
	r := rand.New(rand.NewPCG(13, 40))
	const wide = "what lies between samples, or within a code, is bounded and not drawn"
	for range draws() {
		for _, c := range []struct {
			name          string
			f             form
			interval      float64
			noise, step   float64
			t10, t50, t90 float64
		}{
			{"gaussian, 5 samples a rise", gaussianEdge, 0.5, 0.001, 0, -1.2815515655, 0, 1.2815515655},
			{"gaussian, 10 samples a rise", gaussianEdge, 0.25, 0.01, 0, -1.2815515655, 0, 1.2815515655},
			{"ramp of 3 samples", ramp, 0.4, 0.001, 0, 0.1, 0.5, 0.9},
			{"one pole in 8 bits", onePole, 0.02, 0, 1.0 / 200, -math.Log(0.9), math.Ln2, math.Log(10)},
			{"one pole in 8 bits with noise", onePole, 0.02, 0.004, 1.0 / 200, -math.Log(0.9), math.Ln2, math.Log(10)},
		} {
			offset := 0.3 * r.Float64()
			tr, shift := sampled(func(t float64) float64 { return offset + c.f(t) }, -12, 14, c.interval, c.noise, r)
			tr.Step = c.step
			if c.step > 0 {
				for i, y := range tr.Samples {
					tr.Samples[i] = c.step * math.Round(y/c.step)
				}
			}
			rep := analysed(t, tr, pulse.Options{})
			x := rep.Transitions[0]
			ts.add("amplitude: "+c.name, rep.Amplitude, 1, wide)
			ts.add("10 %: "+c.name, x.First, c.t10+shift, wide)
			ts.add("50 %: "+c.name, x.Middle, c.t50+shift, wide)
			ts.add("90 %: "+c.name, x.Last, c.t90+shift, wide)
			ts.add("10-90 %: "+c.name, x.Duration, c.t90-c.t10, wide)
		}
	}
	ts.judge(t)
}

// TestLimitedBandwidth has noise whose neighbours are alike (one pole, 5 samples): what such noise averages to is uncertain by
// more than independent samples would say.
func TestLimitedBandwidth(t *testing.T) {
	ts := &tallies{of: map[string]*tally{}}
	r := rand.New(rand.NewPCG(14, 40))
	for range draws() {
		tr, shift := sampled(onePole, -8, 14, 0.005, 0, r)
		a := math.Exp(-1.0 / 5)
		state := r.NormFloat64()
		for i := range tr.Samples {
			tr.Samples[i] += 0.01 * state
			state = a*state + math.Sqrt(1-a*a)*r.NormFloat64()
		}
		rep := analysed(t, tr, pulse.Options{})
		x := rep.Transitions[0]
		ts.add("low", rep.Low, 0, "")
		ts.add("high", rep.High, 1, "")
		ts.add("50 %", x.Middle, math.Ln2+shift, "noise is taken to be alike over the whole window of the fit")
		ts.add("10-90 %", x.Duration, math.Log(9), "")
	}
	ts.judge(t)
}
