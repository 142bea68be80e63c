package battery

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"fourwire/analysis/uncertain"
)

// Figure is a fitted number with its expanded uncertainty (95 %, from the scatter of the fit alone: errors of the
// instruments come on top).
type Figure struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"`
}

// PairFigure is a fitted pair.
type PairFigure struct {
	Ohm Figure `json:"ohm"`
	Tau Figure `json:"tau"` // s
}

// PulseOptions say how a pulse test is fitted.
type PulseOptions struct {
	Pairs           int       // 1 to 3; 0 chooses 1 or 2, by how much the second one explains
	VoltsPerCoulomb float64   // by how much the open-circuit voltage falls for each coulomb drawn, where it is known
	FitSlope        bool      // find that slope too; it needs a rest several times as long as the longest time constant
	Taus            []float64 // time constants in s that are known; Pairs is their number then
}

// PulseFit is what a pulse test gave.
type PulseFit struct {
	RestVolts       Figure       `json:"rest_volts"` // open-circuit voltage at the beginning
	Ohm             Figure       `json:"ohm"`        // the voltage step over the current step
	Pairs           []PairFigure `json:"pairs"`      // the shorter time constant first
	VoltsPerCoulomb Figure       `json:"volts_per_coulomb"`

	ResidualVolts float64  `json:"residual_volts"` // standard deviation of what the fit leaves
	WorstVolts    float64  `json:"worst_volts"`
	Samples       int      `json:"samples"`
	LeftOut       int      `json:"left_out"`      // samples that stood out by more than six standard deviations
	FirstSeconds  float64  `json:"first_seconds"` // how soon after a step the voltage was seen: Ohm holds what is faster than that
	Notes         []string `json:"notes,omitempty"`
}

// ErrNoPulse says that the current of a record does not step.
var ErrNoPulse = errors.New("the current does not change: a pulse test steps it from rest and back")

// FitPulses fits series resistance and pairs to a record in which the current steps from rest and back, after
//
//	V = V0 - k Q - R0 i - sum of Rk uk,  uk the response of a first-order lag to the current
//
// by separable least squares: for given time constants the rest is linear (variable projection after Golub and Pereyra, SIAM
// J. Numer. Anal. 10, 1973; from memory). Every combination of a grid of time constants is tried first, so no start values
// are needed; the best is refined by Gauss-Newton steps. Samples more than six robust standard deviations off are left out.
// Uncertainties are those of the linearised fit with Student's factor, widened where neighbouring residuals are alike.
func FitPulses(r *Record, o PulseOptions) (PulseFit, error) {
	if err := r.Check(); err != nil {
		return PulseFit{}, err
	}
	return fitWindow(r, o, 0, len(r.Seconds))
}

// fitWindow fits the samples from..to-1; what the current did before them counts.
func fitWindow(r *Record, o PulseOptions, from, to int) (PulseFit, error) {
	if len(o.Taus) > 0 {
		o.Pairs = len(o.Taus)
	}
	if o.Pairs < 0 || o.Pairs > MostPairs {
		return PulseFit{}, fmt.Errorf("%d pairs; 1 to %d can be fitted", o.Pairs, MostPairs)
	}
	p, err := newProblem(r, o, from, to)
	if err != nil {
		return PulseFit{}, err
	}
	if o.Pairs > 0 {
		return p.fit(o.Pairs)
	}
	one, err := p.fit(1)
	if err != nil {
		return one, err
	}
	two, err := p.fit(2)
	// Bayes' information criterion: two more figures must pay for themselves
	cost := func(f PulseFit, figures float64) float64 {
		n := float64(f.Samples)
		return n*math.Log(max(f.ResidualVolts, 1e-12)) + figures*math.Log(n)/2
	}
	if err != nil || cost(two, 6) > cost(one, 4) || two.doubtful() {
		return one, nil
	}
	return two, nil
}

// doubtful tells whether a pair is not told from nothing.
func (f PulseFit) doubtful() bool {
	for _, p := range f.Pairs {
		if !(p.Ohm.Value > p.Ohm.U) || !(p.Tau.Value > p.Tau.U) {
			return true
		}
	}
	return false
}

// problem is a record made ready for many trials.
type problem struct {
	r        *Record
	o        PulseOptions
	from, to int
	edges    []float64
	root     []float64 // square root of the weight of each sample of the window; 0 leaves it out
	base     [][]float64
	y        []float64 // volts of the window, less the known slope
	first    float64
	shortest float64
	longest  float64
}

func newProblem(r *Record, o PulseOptions, from, to int) (*problem, error) {
	p := &problem{r: r, o: o, from: from, to: to, edges: r.edges()}
	n := to - from
	charge, _ := r.Charge()
	p.root, p.y = make([]float64, n), make([]float64, n)
	ones, amps, drawn := make([]float64, n), make([]float64, n), make([]float64, n)
	lowest, highest := math.Inf(1), math.Inf(-1)
	for i := range n {
		k := from + i
		ones[i], amps[i], drawn[i] = 1, -r.Amps[k], -(charge[k] - charge[from])
		lowest, highest = min(lowest, r.Amps[k]), max(highest, r.Amps[k])
		if v := r.Volts[k]; !math.IsNaN(v) {
			p.y[i] = v - o.VoltsPerCoulomb*drawn[i]
			p.root[i] = math.Sqrt(r.weight(k))
		}
	}
	if !(highest-lowest > 1e-12) {
		return nil, ErrNoPulse
	}
	p.base = [][]float64{ones, amps}
	if o.FitSlope {
		p.base = append(p.base, drawn)
	}
	p.first = p.firstSeen(highest - lowest)
	p.longest = p.edges[to] - p.edges[from]
	p.shortest = p.longest
	for i := from; i < to; i++ {
		p.shortest = min(p.shortest, p.edges[i+1]-p.edges[i])
	}
	return p, nil
}

// firstSeen is the shortest time between a step of the current and a measured voltage after it.
func (p *problem) firstSeen(span float64) float64 {
	first := math.Inf(1)
	for i := p.from + 1; i < p.to; i++ {
		if math.Abs(p.r.Amps[i]-p.r.Amps[i-1]) < span/4 {
			continue
		}
		for k := i; k < p.to; k++ {
			if !math.IsNaN(p.r.Volts[k]) {
				first = min(first, p.r.Seconds[k]-p.edges[i])
				break
			}
		}
	}
	return first
}

// pulseSolution is one set of figures with what it leaves.
type pulseSolution struct {
	taus     []float64
	linear   []float64 // V0, R0, (slope), R1...
	residual []float64
	squares  float64
}

func (p *problem) fit(pairs int) (PulseFit, error) {
	p.restore()
	if used := p.used(); used < len(p.base)+2*pairs+1 {
		return PulseFit{}, fmt.Errorf("%d measured voltages are too few for %d pairs", used, pairs)
	}
	var f PulseFit
	best, err := p.solve(pairs)
	if err != nil {
		return f, err
	}
	if out := p.reject(best.residual); out > 0 {
		f.LeftOut = out
		if best, err = p.solve(pairs); err != nil {
			return f, err
		}
	}
	return f, p.report(&f, best)
}

// solve finds the best time constants from a grid, and refines them.
func (p *problem) solve(pairs int) (pulseSolution, error) {
	taus := p.o.Taus
	if taus == nil {
		if taus = p.grid(pairs); taus == nil {
			return pulseSolution{}, errors.New("no time constants explain this record; is the current drawn counted positive?")
		}
	}
	s, err := p.at(taus)
	if err != nil || p.o.Taus != nil {
		return s, err
	}
	return p.refine(s), nil
}

// restore takes every measured sample in again.
func (p *problem) restore() {
	for i := range p.root {
		if p.root[i] == 0 && !math.IsNaN(p.r.Volts[p.from+i]) {
			p.root[i] = math.Sqrt(p.r.weight(p.from + i))
		}
	}
}

func (p *problem) used() int {
	n := 0
	for _, w := range p.root {
		if w > 0 {
			n++
		}
	}
	return n
}

// reject leaves out samples that stand out, unless they are so many that the model is wrong rather than they.
func (p *problem) reject(residual []float64) int {
	var size []float64
	for i, e := range residual {
		if p.root[i] > 0 {
			size = append(size, math.Abs(e)*p.root[i])
		}
	}
	limit := 6 * 1.4826 * median(size)
	if limit < 1e-8 {
		return 0
	}
	var out []int
	for i, e := range residual {
		if math.Abs(e)*p.root[i] > limit {
			out = append(out, i)
		}
	}
	if len(out)*20 > len(size) {
		return 0
	}
	for _, i := range out {
		p.root[i] = 0
	}
	return len(out)
}

// report turns a solution into figures.
func (p *problem) report(f *PulseFit, s pulseSolution) error {
	order := make([]int, len(s.taus))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return compare(s.taus[a], s.taus[b]) })
	columns := p.columns(s.taus, s.linear)
	var rows [][]float64
	var y, kept []float64
	count := len(columns)
	if p.o.Taus != nil {
		count -= len(s.taus)
	}
	for i, w := range p.root {
		if w == 0 {
			continue
		}
		row := make([]float64, count)
		for j := range row {
			row[j] = columns[j][i] * w
		}
		rows, y, kept = append(rows, row), append(y, s.residual[i]*w), append(kept, s.residual[i])
		f.WorstVolts = max(f.WorstVolts, math.Abs(s.residual[i]))
	}
	fit, err := uncertain.LeastSquares(rows, y, false)
	if err != nil {
		return fmt.Errorf("the figures cannot be told apart: %w; fit fewer pairs, or rest for longer", err)
	}
	f.Samples, f.ResidualVolts = len(rows), fit.ResidualSD
	k := uncertain.Factor(uncertain.Coverage95, float64(max(1, fit.DOF)))
	if lag := uncertain.Describe(kept).Lag1; lag > 2/math.Sqrt(float64(len(kept))) && lag < 0.999 {
		k *= math.Sqrt((1 + lag) / (1 - lag))
		f.Notes = append(f.Notes, fmt.Sprintf("neighbouring residuals are alike (correlation %.2f): the cell does more than the model; uncertainties are widened for it", lag))
	}
	figure := func(j int, value float64) Figure { return Figure{value, k * fit.Std[j]} }
	f.RestVolts, f.Ohm = figure(0, s.linear[0]), figure(1, s.linear[1])
	f.VoltsPerCoulomb = Figure{Value: p.o.VoltsPerCoulomb}
	if p.o.FitSlope {
		f.VoltsPerCoulomb = figure(2, s.linear[2])
		f.VoltsPerCoulomb.Value += p.o.VoltsPerCoulomb
	}
	base := len(p.base)
	for _, i := range order {
		pair := PairFigure{Ohm: figure(base+i, s.linear[base+i]), Tau: Figure{Value: s.taus[i]}}
		if p.o.Taus == nil {
			pair.Tau.U = k * fit.Std[base+len(s.taus)+i] * s.taus[i] // of ln tau
		}
		f.Pairs = append(f.Pairs, pair)
	}
	f.FirstSeconds = p.first
	f.doubts(p)
	return nil
}

// doubts says what to beware of.
func (f *PulseFit) doubts(p *problem) {
	if f.Ohm.Value < 0 {
		f.Notes = append(f.Notes, "the resistance comes out negative: current drawn is counted positive here")
	}
	for _, pair := range f.Pairs {
		switch tau := pair.Tau.Value; {
		case tau < 2*p.first:
			f.Notes = append(f.Notes, fmt.Sprintf("a time constant of %.3g s is hardly longer than the first look at the voltage, %.3g s after a step: it cannot be told from the series resistance", tau, p.first))
		case tau > p.longest:
			f.Notes = append(f.Notes, fmt.Sprintf("a time constant of %.3g s is longer than the record, %.3g s: rest for longer", tau, p.longest))
		case pair.Ohm.U > math.Abs(pair.Ohm.Value):
			f.Notes = append(f.Notes, fmt.Sprintf("the pair of %.3g s is smaller than its uncertainty: fit fewer pairs", tau))
		}
	}
	if f.LeftOut > 0 {
		f.Notes = append(f.Notes, fmt.Sprintf("%d samples stood out by more than six standard deviations and were left out", f.LeftOut))
	}
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
