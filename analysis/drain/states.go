package drain

import (
	"fmt"
	"math"
	"slices"
)

const (
	levelKernel = 0.03 // levels that differ by less than about three times this cannot be told apart
	maxStates   = 10   // of activity
	rareVisits  = 3
	rareShare   = 0.03 // of the events
	rareTime    = 0.05 // of the time of activity
	rareReach   = 0.45 // ln 1.57
	leastCharge = 0.01 // of that of activity
	leastReach  = 0.92 // ln 2.5
)

// cluster is a group of levels, neighbours being neighbours in current too.
type cluster struct {
	visits    int
	samples   int64
	sum       float64 // A
	low, high float64 // ln of its lowest and highest level
	centre    float64 // ln, mean of its visits
}

func (c cluster) plus(d cluster) cluster {
	n := float64(c.visits + d.visits)
	return cluster{
		c.visits + d.visits, c.samples + d.samples, c.sum + d.sum, min(c.low, d.low), max(c.high, d.high),
		(c.centre*float64(c.visits) + d.centre*float64(d.visits)) / n,
	}
}

func logOf(amps float64) float64 { return math.Log(max(amps, 1e-12)) }

// clusters groups the levels of all segments; wanted above 0 is how many there shall be at most.
func (m *machine) clusters(wanted int) []cluster {
	var values []float64
	var from []int
	for _, flat := range []bool{true, false} {
		for i := range m.segments {
			if m.segments[i].flat == flat {
				values, from = append(values, logOf(m.segments[i].level())), append(from, i)
			}
		}
		if len(values) > 0 {
			break
		}
	}
	group, n := groups(values, nil, levelKernel)
	out := make([]cluster, n)
	var active int64
	var charge float64
	for i, k := range group {
		g := &m.segments[from[i]]
		v := values[i]
		one := cluster{1, g.n, g.sum, v, v, v}
		if out[k].visits > 0 {
			one = one.plus(out[k])
		}
		out[k] = one
		active += g.n
		charge += g.sum
	}
	limit := max(rareVisits, int(rareShare*float64(len(m.events))))
	for len(out) > 1 { // rare ones go to a neighbour that is not far
		rarest, to := -1, -1
		for i, c := range out {
			if c.visits >= limit || float64(c.samples) >= rareTime*float64(active) {
				continue
			}
			if rarest >= 0 && c.visits >= out[rarest].visits {
				continue
			}
			reach := rareReach
			if c.sum < leastCharge*charge {
				reach = leastReach
			}
			if i < len(out)-1 && c.visits < rareVisits && c.samples <= 2*int64(c.visits) && c.sum < leastCharge/10*charge {
				reach = math.Inf(1) // an outlier downwards
			}
			if j := nearest(out, i); math.Abs(out[j].centre-c.centre) < reach {
				rarest, to = i, j
			}
		}
		if rarest < 0 {
			break
		}
		out = mergeClusters(out, rarest, to)
	}
	if wanted <= 0 || wanted > maxStates {
		wanted = maxStates
	}
	for len(out) > wanted {
		best := 0
		for i := range len(out) - 1 {
			if out[i+1].centre-out[i].centre < out[best+1].centre-out[best].centre {
				best = i
			}
		}
		out = mergeClusters(out, best, best+1)
	}
	return out
}

func nearest(c []cluster, i int) int {
	switch {
	case i == 0:
		return 1
	case i == len(c)-1 || c[i].centre-c[i-1].centre < c[i+1].centre-c[i].centre:
		return i - 1
	}
	return i + 1
}

func mergeClusters(c []cluster, i, j int) []cluster {
	i, j = min(i, j), max(i, j)
	c[i] = c[i].plus(c[j])
	return slices.Delete(c, j, j+1)
}

// assign gives each segment of the events from number first on its cluster. What is no level of its own goes with the level before or behind it, whichever is nearer.
func (m *machine) assign(c []cluster, first int) {
	if len(c) == 0 {
		return
	}
	of := func(g *segment) int16 {
		v := logOf(g.level())
		k := 0
		for k+1 < len(c) && v > (c[k].high+c[k+1].low)/2 {
			k++
		}
		return int16(k)
	}
	for _, e := range m.events[first:] {
		s := m.segments[e.first:e.last]
		for i := range s {
			if s[i].flat {
				s[i].state = of(&s[i])
			}
		}
		for i := range s {
			if s[i].flat {
				continue
			}
			before, behind := -1, -1
			for j := i - 1; j >= 0 && before < 0; j-- {
				if s[j].flat {
					before = j
				}
			}
			for j := i + 1; j < len(s) && j < i+64 && behind < 0; j++ {
				if s[j].flat {
					behind = j
				}
			}
			v := s[i].level()
			switch {
			case before < 0 && behind < 0:
				s[i].state = of(&s[i])
			case behind < 0 || before >= 0 && nearer(v, s[before].level(), s[behind].level()):
				s[i].state = beyondLevel(v, s[before], of(&s[i]))
			default:
				s[i].state = beyondLevel(v, s[behind], of(&s[i]))
			}
		}
	}
}

// beyondLevel lets a peak far above the level it would go with be what it is.
func beyondLevel(v float64, with segment, own int16) int16 {
	if v > 1.5*with.level() {
		return own
	}
	return with.state
}

// naming maps the states found to names; states of one name are one.
type naming struct {
	names []string
	index []int // of names, by state found: off where there is one, sleep, activities
	notes []string
}

func (a *analysis) naming(off bool, levels []float64, active int) naming {
	var n naming
	found := []string{}
	if off {
		found = append(found, "off")
	}
	base := len(found)
	if active == 0 {
		found = append(found, "steady")
	} else {
		found = append(found, "sleep")
	}
	for i := range active {
		found = append(found, fmt.Sprintf("activity %d", i+1))
	}
	inOrder := true
	for _, s := range a.o.States {
		inOrder = inOrder && s.From == 0 && s.To == 0
	}
	for i := base; i < len(found) && len(a.o.States) > 0; i++ {
		if inOrder {
			if k := i - base; k < len(a.o.States) {
				found[i] = a.o.States[k].Name
			}
			continue
		}
		named := false
		for _, s := range a.o.States {
			if levels[i] >= s.From && levels[i] <= s.To {
				found[i], named = s.Name, true
				break
			}
		}
		if !named {
			n.notes = append(n.notes, fmt.Sprintf("no name was given for the state at %.3g A", levels[i]))
		}
	}
	for _, s := range a.o.States {
		if !slices.Contains(found, s.Name) {
			n.notes = append(n.notes, fmt.Sprintf("no state was found for the name %s", s.Name))
		}
	}
	for _, name := range found {
		k := slices.Index(n.names, name)
		if k < 0 {
			k = len(n.names)
			n.names = append(n.names, name)
		}
		n.index = append(n.index, k)
	}
	return n
}

// wanted is how many activities the given names allow; 0: as many as are found.
func (a *analysis) wanted() int {
	if len(a.o.States) == 0 {
		return 0
	}
	for _, s := range a.o.States {
		if s.From != 0 || s.To != 0 {
			return 0
		}
	}
	return max(1, len(a.o.States)-1)
}
