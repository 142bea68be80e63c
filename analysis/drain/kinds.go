package drain

import (
	"fmt"
	"math"
	"slices"

	"fourwire/quantity/measured"
)

const (
	kindKernel = 0.05 // of charge, duration and peak, relative
	maxKinds   = 20
	rareKind   = 3
	rareKindBy = 0.405 // ln 1.5
	regularBy  = 0.3   // spread of the period against the period
)

// feature gives the logarithms of charge, duration and peak, which tell kinds apart, and the width that rounding gives them.
func feature(e *Event, which int) (value, own float64) {
	n := float64(e.Samples)
	switch which {
	case 0:
		return logOf(e.Coulombs), 0
	case 1:
		return math.Log(n), 0.7 / n
	}
	return logOf(e.PeakAmps), 0.7 / n
}

// sortKinds groups events that are alike, by charge, then duration, then peak, as long as one of them parts a group.
func sortKinds(events []Event) (kinds [][]int) {
	var all []int
	for i := range events {
		if events[i].Kind = -1; !events[i].Cut {
			all = append(all, i)
		}
	}
	if len(all) == 0 {
		return nil
	}
	var refine func(members []int, which, alike int)
	refine = func(members []int, which, alike int) {
		if alike == 3 || len(members) == 1 {
			kinds = append(kinds, members)
			return
		}
		values, own := make([]float64, len(members)), make([]float64, len(members))
		for i, e := range members {
			values[i], own[i] = feature(&events[e], which)
		}
		group, n := groups(values, own, kindKernel)
		if n == 1 {
			refine(members, (which+1)%3, alike+1)
			return
		}
		parts := make([][]int, n)
		for i, g := range group {
			parts[g] = append(parts[g], members[i])
		}
		for _, p := range parts {
			refine(p, (which+1)%3, 1)
		}
	}
	refine(all, 0, 0)
	return joinRare(events, kinds)
}

// joinRare gives kinds of very few events to one that is nearly alike, and bounds how many there are.
func joinRare(events []Event, kinds [][]int) [][]int {
	type place struct{ at, own [3]float64 }
	centre := func(k []int) (c place) {
		for _, e := range k {
			for w := range c.at {
				v, own := feature(&events[e], w)
				c.at[w] += v / float64(len(k))
				c.own[w] += own / float64(len(k))
			}
		}
		return c
	}
	centres := make([]place, len(kinds))
	for i, k := range kinds {
		centres[i] = centre(k)
	}
	for len(kinds) > 1 {
		from, to, apart := -1, -1, math.Inf(1)
		for i := range kinds {
			if len(kinds[i]) >= rareKind && len(kinds) <= maxKinds {
				continue
			}
			for j := range kinds {
				if i == j || len(kinds[j]) < len(kinds[i]) {
					continue
				}
				d := 0.0
				for w := range centres[i].at {
					d = max(d, math.Abs(centres[i].at[w]-centres[j].at[w])-centres[i].own[w]-centres[j].own[w])
				}
				if d < apart {
					from, to, apart = i, j, d
				}
			}
		}
		if from < 0 || apart > rareKindBy && len(kinds) <= maxKinds {
			break
		}
		kinds[to] = append(kinds[to], kinds[from]...)
		centres[to] = centre(kinds[to])
		kinds, centres = slices.Delete(kinds, from, from+1), slices.Delete(centres, from, from+1)
	}
	slices.SortStableFunc(kinds, func(a, b []int) int {
		if len(a) != len(b) {
			return len(b) - len(a)
		}
		return slices.Min(a) - slices.Min(b)
	})
	for i := range kinds {
		slices.Sort(kinds[i])
		for _, e := range kinds[i] {
			events[e].Kind = i
		}
	}
	return kinds
}

// kind describes a group of events.
func (a *analysis) kind(in *inputs, number int, events []Event, members []int, states int) Kind {
	k := Kind{Name: fmt.Sprintf("kind %d", number+1), Count: len(members), PeriodSeconds: math.NaN(), PeriodSpread: math.NaN()}
	ranges := make([]tally, max(1, len(a.o.Ranges)))
	visited := make([]int, states)
	var seconds, sum, squares float64
	var order []int
	for _, i := range members {
		e := &events[i]
		for _, c := range e.charges {
			ranges[c.rng].n += c.n
			ranges[c.rng].sum += c.sum
		}
		seconds += e.Seconds
		sum += e.Coulombs
		k.PeakAmps = max(k.PeakAmps, e.PeakAmps)
		for _, p := range e.Parts {
			if visited[p.State]++; visited[p.State] == 1 {
				order = append(order, p.State)
			}
		}
	}
	n := float64(len(members))
	for _, i := range members {
		squares += (events[i].Coulombs - sum/n) * (events[i].Coulombs - sum/n)
	}
	if len(members) > 1 {
		k.SpreadCoulombs = math.Sqrt(squares / (n - 1))
	}
	for _, s := range order {
		if 2*visited[s] > len(members) {
			k.States = append(k.States, s)
		}
	}
	k.MeanSeconds = seconds / n
	k.Charge = in.charge(ranges)
	k.MeanCharge = measured.Map(k.Charge.X/n, k.Charge.Dim, k.Charge, 1/n)
	var apart []float64
	for i := 1; i < len(members); i++ {
		if e, before := &events[members[i]], &events[members[i-1]]; e.piece == before.piece {
			apart = append(apart, float64(e.Start-before.Start)*a.o.IntervalSeconds)
		}
	}
	if len(apart) > 0 {
		k.PeriodSeconds = median(apart)
		if len(apart) > 1 {
			for i := range apart {
				apart[i] = math.Abs(apart[i] - k.PeriodSeconds)
			}
			k.PeriodSpread = 1.4826 * median(apart)
			k.Regular = k.PeriodSpread < regularBy*k.PeriodSeconds
		}
	}
	return k
}

// median sorts what it is given.
func median(x []float64) float64 {
	slices.Sort(x)
	n := len(x)
	if n == 0 {
		return math.NaN()
	}
	return (x[(n-1)/2] + x[n/2]) / 2
}
