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
	resamples     = 400
	bootstrapSeed = 20 // results are the same each time
)

// statistics estimates how far the mean currents of all, of each state and of each kind would differ in other recordings of this length.
//
// A cycle reaches from the start of an event to the start of the next. Blocks of successive cycles are drawn with replacement, and
// each figure is taken as charge over time of what was drawn (a block bootstrap of a ratio). Besides, a recording does not end with a
// cycle: for each kind of event half an event more or less is added. Irregular events so come to 1/sqrt(N), periodic ones to 1/(2 N).
func (a *analysis) statistics(r *Result) {
	states, kinds := len(r.States), len(r.Kinds)
	columns := 2 + states + kinds // time, all charge, states, kinds
	r.stateErrors, r.kindErrors = nan(states), nan(kinds)
	r.Statistics = Statistics{Mean: math.NaN(), OnePerCent: math.NaN()}
	quiet, quietState := 0.0, -1
	for i, s := range r.States {
		if i < 2 && (s.Name != "off") && quietState < 0 {
			quiet, quietState = s.Amps, i
		}
	}
	dt := r.IntervalSeconds
	var rows [][]float64
	row := make([]float64, columns)
	cycles := len(r.Events) - 1
	block := max(1, (cycles+maxBlocks-1)/maxBlocks)
	for i := range max(0, cycles) {
		e, next := &r.Events[i], &r.Events[i+1]
		if e.piece != next.piece || e.Cut {
			continue
		}
		clear(row)
		row[0] = float64(next.Start-e.Start) * dt
		rest := float64(next.Start-e.Start-e.Samples) * dt * quiet
		row[1] = e.Coulombs + rest
		if quietState >= 0 {
			row[2+quietState] = rest
		}
		for _, p := range e.Parts {
			row[2+p.State] += p.Coulombs
		}
		if e.Kind >= 0 {
			row[2+states+e.Kind] = e.Coulombs
		}
		if r.Statistics.Cycles%block != 0 {
			last := rows[len(rows)-1]
			for c, v := range row {
				last[c] += v
			}
		} else {
			rows = append(rows, slices.Clone(row))
		}
		r.Statistics.Cycles++
	}
	edge := make([]float64, columns) // half an event of each kind
	for k, kind := range r.Kinds {
		half := 0.5 * kind.MeanCharge.X / r.Seconds
		edge[1] = math.Hypot(edge[1], half)
		edge[2+states+k] = half
	}
	for i := range r.States {
		if i == quietState {
			continue
		}
		var sum, n float64
		for e := range r.Events {
			for _, p := range r.Events[e].Parts {
				if p.State == i {
					sum, n = sum+p.Coulombs, n+1
				}
			}
		}
		if n > 0 {
			edge[2+i] = 0.5 * sum / n / r.Seconds
		}
	}
	if r.Statistics.Cycles < leastCycles {
		r.Statistics.Method = fmt.Sprintf("%d whole cycles from event to event are too few to tell; %d are needed", r.Statistics.Cycles, leastCycles)
		return
	}
	scatter := bootstrap(rows, columns)
	for i := range scatter {
		scatter[i] = math.Hypot(scatter[i], edge[i])
	}
	r.Statistics.Mean = scatter[1]
	copy(r.stateErrors, scatter[2:2+states])
	copy(r.kindErrors, scatter[2+states:])
	r.Statistics.Regular = edge[1] > math.Sqrt(max(0, scatter[1]*scatter[1]-edge[1]*edge[1]))
	r.Statistics.Method = fmt.Sprintf("block bootstrap over %d cycles from event to event in %d blocks, and half an event of each kind for the end of the recording", r.Statistics.Cycles, len(rows))
	if relative := 2 * scatter[1] / math.Abs(r.Mean.X); r.Mean.X != 0 {
		if r.Statistics.Regular {
			r.Statistics.OnePerCent = r.Seconds * relative / 0.01
		} else {
			r.Statistics.OnePerCent = r.Seconds * (relative / 0.01) * (relative / 0.01)
		}
	}
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
