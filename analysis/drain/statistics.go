package drain

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

const (
	leastCycles   = 5
	maxBlocks     = 256
	maxAnchors    = 6
	anchorCycles  = 20
	resamples     = 400
	bootstrapSeed = 20 // results are the same each time
)

// figures are what the length of a recording leaves open: the time of a cycle, all charge, and that of each state and kind.
type figures struct {
	states, kinds int
	quiet         int // the state of the floor
	amps          float64
}

func (f figures) columns() int { return 2 + f.states + f.kinds }

// row adds an event to a cycle.
func (f figures) add(row []float64, e *Event) {
	row[1] += e.Coulombs
	for _, p := range e.Parts {
		row[2+p.State] += p.Coulombs
	}
	if e.Kind >= 0 {
		row[2+f.states+e.Kind] += e.Coulombs
	}
}

// statistics estimates how far the mean currents of all, of each state and of each kind would differ in other recordings of this length.
//
// A cycle reaches from the start of an event to the start of the next, or from the start of one kind of event to the next of that kind.
// Blocks of successive cycles are drawn with replacement, and each figure is taken as charge over time of what was drawn (a block bootstrap of
// a ratio); of all ways to make cycles the one that leaves least open is taken for a figure, so that what is regular counts as such.
// Besides, a recording does not end with a cycle: for each kind of event half an event more or less is added. Irregular events so come to
// 1/sqrt(N), periodic ones to 1/(2 N).
func (a *analysis) statistics(r *Result) {
	f := figures{states: len(r.States), kinds: len(r.Kinds)}
	if len(r.States) > 1 && r.States[0].Name == "off" {
		f.quiet = 1
	}
	f.amps = r.States[f.quiet].Amps
	r.stateErrors, r.kindErrors = nan(f.states), nan(f.kinds)
	r.Statistics = Statistics{Mean: math.NaN(), OnePerCent: math.NaN()}

	all, cycles := f.scatter(r, -1)
	r.Statistics.Cycles = cycles
	if cycles < leastCycles {
		r.Statistics.Method = fmt.Sprintf("%d whole cycles from event to event are too few to tell; %d are needed", cycles, leastCycles)
		return
	}
	best, by := slices.Clone(all), "of any kind"
	for k := range min(f.kinds, maxAnchors) {
		scatter, n := f.scatter(r, k)
		if n < anchorCycles {
			continue
		}
		if scatter[1] < best[1] {
			by, r.Statistics.Cycles = "of "+r.Kinds[k].Name, n
		}
		for c := range best {
			best[c] = min(best[c], scatter[c])
		}
	}
	edge := f.edges(r)
	r.Statistics.Regular = edge[1] > best[1]
	for c := range best {
		best[c] = math.Hypot(best[c], edge[c])
	}
	r.Statistics.Mean = best[1]
	copy(r.stateErrors, best[2:2+f.states])
	copy(r.kindErrors, best[2+f.states:])
	r.Statistics.Method = fmt.Sprintf("block bootstrap over %d cycles from one event %s to the next, and half an event of each kind for the end of the recording", r.Statistics.Cycles, by)
	if relative := 2 * best[1] / math.Abs(r.Mean.X); r.Mean.X != 0 {
		r.Statistics.OnePerCent = r.Seconds * relative / 0.01
		if !r.Statistics.Regular {
			r.Statistics.OnePerCent *= relative / 0.01
		}
	}
}

// scatter draws cycles that begin with events of a kind, -1 for any, and gives the standard deviation of each figure over time.
func (f figures) scatter(r *Result, kind int) (deviations []float64, cycles int) {
	anchors := 0
	for i := range r.Events {
		if kind < 0 || r.Events[i].Kind == kind {
			anchors++
		}
	}
	block := max(1, (anchors-1+maxBlocks-1)/maxBlocks)
	row := make([]float64, f.columns())
	var rows [][]float64
	from := -1
	var busy int64
	for i := range r.Events {
		e := &r.Events[i]
		if from >= 0 && e.piece != r.Events[from].piece {
			from = -1
		}
		if kind < 0 || e.Kind == kind {
			if from >= 0 {
				length := e.Start - r.Events[from].Start
				rest := float64(length-busy) * r.IntervalSeconds * f.amps
				row[0] = float64(length) * r.IntervalSeconds
				row[1] += rest
				row[2+f.quiet] += rest
				if cycles%block == 0 {
					rows = append(rows, slices.Clone(row))
				} else {
					for c, v := range row {
						rows[len(rows)-1][c] += v
					}
				}
				cycles++
			}
			from, busy = i, 0
			clear(row)
			if e.Cut {
				from = -1
			}
		}
		if from >= 0 {
			f.add(row, e)
			busy += e.Samples
		}
	}
	if len(rows) < 2 {
		return nan(f.columns()), cycles
	}
	return bootstrap(rows, f.columns()), cycles
}

// edges are half an event of each kind, over the time of the recording.
func (f figures) edges(r *Result) []float64 {
	edge := make([]float64, f.columns())
	for k, kind := range r.Kinds {
		half := 0.5 * kind.MeanCharge.X / r.Seconds
		edge[1] = math.Hypot(edge[1], half)
		edge[2+f.states+k] = half
	}
	sums, counts := make([]float64, f.states), make([]float64, f.states)
	for i := range r.Events {
		for _, p := range r.Events[i].Parts {
			sums[p.State] += p.Coulombs
			counts[p.State]++
		}
	}
	for s := range sums {
		if counts[s] > 0 {
			edge[2+s] = 0.5 * sums[s] / counts[s] / r.Seconds
		}
	}
	return edge
}

// bootstrap gives the standard deviation of each column over the first one, when rows are drawn anew.
func bootstrap(rows [][]float64, columns int) []float64 {
	rng := rand.New(rand.NewPCG(bootstrapSeed, uint64(len(rows))))
	sum, squares := make([]float64, columns), make([]float64, columns)
	one := make([]float64, columns)
	for range resamples {
		clear(one)
		for range rows {
			for c, v := range rows[rng.IntN(len(rows))] {
				one[c] += v
			}
		}
		for c := range one {
			v := one[c] / one[0]
			sum[c] += v
			squares[c] += v * v
		}
	}
	n := float64(len(rows))
	for c := range sum {
		mean := sum[c] / resamples
		sum[c] = math.Sqrt(max(0, squares[c]/resamples-mean*mean) * n / (n - 1))
	}
	return sum
}

func nan(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = math.NaN()
	}
	return out
}
