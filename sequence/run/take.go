package run

import (
	"context"
	"fmt"
	"math"
	"time"

	"fourwire/quantity/measured"
	"fourwire/sequence"
)

// taken is what a group gave: one value for each reading, NaN where it overflowed.
type taken struct {
	values   []measured.Value
	overload []bool
}

// series is the readings of a group one after the other.
type series struct {
	values   [][]measured.Value // by reading, then by pass; each with its zero subtracted
	at       [][]float64        // middle of each reading, s since the first began
	overload []bool
	begun    time.Time
	cycle    float64 // s from one pass to the next; 0: one pass
}

func newSeries(g *group) *series {
	n := len(g.gauges)
	return &series{values: make([][]measured.Value, n), at: make([][]float64, n), overload: make([]bool, n)}
}

// passes is how often the group has been read.
func (s *series) passes() int { return len(s.values[0]) }

// elapsed is the time from the beginning of the first pass to the end of the last, s.
func (s *series) elapsed() float64 { return s.cycle * float64(s.passes()) }

// expectAll chooses what the range of each reading must hold.
func (r *runner) expectAll(g *group) {
	for i, k := range g.gauges {
		if g.expect[i] = r.expected(k); g.pinned[i] > 0 {
			g.expect[i] = g.pinned[i]
		}
	}
}

// pass reads a group once more. A reading outside the guard of its node is an error; the reading is kept beside it.
func (r *runner) pass(ctx context.Context, g *group, s *series, backwards bool) error {
	if err := r.lookAtRails(ctx); err != nil {
		return err
	}
	if err := r.once(ctx, g, backwards); err != nil {
		return err
	}
	if s.passes() == 0 {
		s.begun = g.readings[0].Start
		for i := range g.readings {
			if g.readings[i].Start.Before(s.begun) {
				s.begun = g.readings[i].Start
			}
		}
	} else {
		s.cycle = r.clock.Since(s.begun).Seconds() / float64(s.passes()+1)
	}
	r.addPass(g, s)
	return r.insideGuards(g)
}

// addPass adds the latest readings of a group to its series.
func (r *runner) addPass(g *group, s *series) {
	for i, k := range g.gauges {
		reading := &g.readings[i]
		s.overload[i] = s.overload[i] || reading.Overload
		v := reading.Value
		if z, ok := r.zeros[zeroKey{k, reading.RangeFull}]; ok && !reading.Overload {
			v = measured.Sub(v, z)
		}
		s.values[i] = append(s.values[i], v)
		s.at[i] = append(s.at[i], (reading.Start.Sub(s.begun).Seconds()+reading.End.Sub(s.begun).Seconds())/2)
	}
}

// take reads a group so many times and gives the means, corrected. A reading that overflows has the value NaN. A reading outside
// the guard of its node is an error; the values are given beside it.
func (r *runner) take(ctx context.Context, g *group, times int) (taken, error) {
	r.expectAll(g)
	s := newSeries(g)
	var err error
	for n := range times {
		if err = r.pass(ctx, g, s, g.mirrored && n%2 == 1); err != nil {
			break
		}
	}
	if s.passes() == 0 {
		return taken{}, err
	}
	weights := make([]float64, s.passes())
	for n := range weights {
		weights[n] = 1 / float64(len(weights))
	}
	t := r.weighted(g, s, weights)
	r.addSkew(g, s, &t)
	r.addScatter(g, s, &t)
	r.correct(g, &t)
	return t, err
}

// weighted is the weighted mean of each reading; the weights add up to 1.
func (r *runner) weighted(g *group, s *series, weights []float64) taken {
	t := taken{values: make([]measured.Value, len(g.gauges)), overload: s.overload}
	for i := range g.gauges {
		t.values[i] = r.mean(s.values[i], weights, g.readings[i].Inputs)
		if s.overload[i] {
			t.values[i] = measured.Value{X: nan, Dim: gaugeDim(&r.gauges[g.gauges[i]])}
		}
	}
	return t
}

// mean is a weighted mean. The noise and the quantisation of its readings, which nothing else shares, become one input each.
func (r *runner) mean(values []measured.Value, weights []float64, inputs string) measured.Value {
	if len(values) == 1 {
		return values[0]
	}
	sum := measured.Value{Dim: values[0].Dim}
	var noise, steps float64
	for n, v := range values {
		sum.X += weights[n] * v.X
		if r.cfg.Ledger == nil {
			continue
		}
		rest := measured.Value{Terms: make([]measured.Term, 0, len(v.Terms))}
		for _, t := range v.Terms {
			switch part := weights[n] * t.Part; r.cfg.Ledger.Input(t.Input).Kind {
			case measured.Noise:
				if r.ofZero[t.Input] { // shared by every reading that it was subtracted from
					rest.Terms = append(rest.Terms, t)
					continue
				}
				noise += part * part
			case measured.Quantisation:
				if r.ofZero[t.Input] {
					rest.Terms = append(rest.Terms, t)
					continue
				}
				steps += part * part
			default:
				rest.Terms = append(rest.Terms, t)
			}
		}
		sum = measured.Linear(sum.X, sum.Dim, sum, 1, rest, weights[n])
	}
	if noise > 0 {
		sum = r.plus(sum, r.cfg.Ledger.Own(measured.Input{Name: inputs + " noise", Kind: measured.Noise}), math.Sqrt(noise))
	}
	if steps > 0 {
		sum = r.plus(sum, r.cfg.Ledger.Own(measured.Input{Name: inputs + " resolution", Kind: measured.Quantisation}), math.Sqrt(steps))
	}
	return sum
}

// plus adds a term.
func (r *runner) plus(v measured.Value, input measured.ID, part float64) measured.Value {
	return measured.Linear(v.X, v.Dim, v, 1, measured.Value{Terms: []measured.Term{{Input: input, Part: part}}}, 1)
}

// line is the straight line through the passes of one reading: slope per second, middle, and the scatter about it.
func (s *series) line(i int) (slope, middle, scatter float64) {
	n := float64(len(s.at[i]))
	var t, x float64
	for k := range s.at[i] {
		t, x = t+s.at[i][k]/n, x+s.values[i][k].X/n
	}
	var tt, tx float64
	for k := range s.at[i] {
		dt := s.at[i][k] - t
		tt, tx = tt+dt*dt, tx+dt*(s.values[i][k].X-x)
	}
	if tt > 0 {
		slope = tx / tt
	}
	var rest float64
	for k := range s.at[i] {
		d := s.values[i][k].X - x - slope*(s.at[i][k]-t)
		rest += d * d
	}
	if n > 2 {
		scatter = math.Sqrt(rest / (n - 2))
	}
	return slope, t, scatter
}

// addSkew adds what is left of the observed drift where readings do not belong to one time: slope times the distance of their
// middles, taken as rectangular. The middles of mirrored readings are one.
func (r *runner) addSkew(g *group, s *series, t *taken) {
	if len(g.rounds) < 2 || r.cfg.Ledger == nil {
		return
	}
	if s.passes() < 2 {
		r.remark("read one after the other over %s: a drift would not be seen", time.Duration((s.at[g.rounds[len(g.rounds)-1][0]][0]-s.at[0][0])*1e9).Round(time.Millisecond))
		return
	}
	common := 0.0
	for i := range g.gauges {
		_, middle, _ := s.line(i)
		common += middle / float64(len(g.gauges))
	}
	for i, k := range g.gauges {
		slope, middle, _ := s.line(i)
		part := math.Abs(slope*(middle-common)) / math.Sqrt(3)
		if part == 0 || math.IsNaN(part) || t.overload[i] {
			continue
		}
		id := r.cfg.Ledger.Own(measured.Input{Name: r.gauges[k].Name() + " drift between readings", Kind: measured.Skew, Shape: measured.Rectangular})
		t.values[i] = r.plus(t.values[i], id, part)
	}
}

const leastScatter = 4 // readings from which a scatter says something

// addScatter adds what readings scatter beyond the noise that the model states: ripple, bursts, something loose. It counts from twice
// the stated noise on, so that a handful of readings with ordinary noise adds nothing.
func (r *runner) addScatter(g *group, s *series, t *taken) {
	n := s.passes()
	if n < leastScatter || r.cfg.Ledger == nil {
		return
	}
	for i := range g.gauges {
		if t.overload[i] {
			continue
		}
		_, _, scatter := s.line(i)
		stated := r.scatterOf(s.values[i][n-1])
		if !(scatter > 2*stated) {
			continue
		}
		part := math.Sqrt((scatter*scatter - stated*stated) / float64(n))
		t.values[i] = r.plus(t.values[i], r.ripple(g, i, float64(n-2)), part)
	}
}

// ripple is an input for observed scatter.
func (r *runner) ripple(g *group, i int, dof float64) measured.ID {
	return r.cfg.Ledger.Own(measured.Input{Name: g.readings[i].Inputs + " scatter", Kind: measured.Ripple, DOF: dof})
}

// scatterOf is the standard deviation that noise and resolution give a value.
func (r *runner) scatterOf(v measured.Value) float64 {
	var sum float64
	for _, t := range v.Terms {
		if kind := r.cfg.Ledger.Input(t.Input).Kind; kind == measured.Noise || kind == measured.Quantisation {
			sum += t.Part * t.Part
		}
	}
	return math.Sqrt(sum)
}

// remark notes something about the readings of the point under way, once.
func (r *runner) remark(format string, args ...any) {
	if r.notes == nil {
		return
	}
	text := fmt.Sprintf(format, args...)
	for _, had := range *r.notes {
		if had == text {
			return
		}
	}
	*r.notes = append(*r.notes, text)
}

// nameOf is what a reading of the group under way is called in a note.
func (r *runner) nameOf(k int) string {
	g := &r.gauges[k]
	return string(g.Function) + "(" + g.Node + ")"
}

// amps finds the reading of a node's current in a group; -1 where there is none.
func (r *runner) in(g *group, f sequence.Function, node string) int {
	for i, k := range g.gauges {
		if r.gauges[k].Function == f && r.gauges[k].Node == node {
			return i
		}
	}
	return -1
}
