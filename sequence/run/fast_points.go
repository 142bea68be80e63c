package run

import (
	"context"
	"fmt"
	"math"

	"fourwire/driver"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
)

// listedPoint is a point whose readings are there already.
type listedPoint struct {
	*listing
	index    int
	readings [][]driver.Reading // by pass, then by reading
	modes    map[string]string  // by role
}

// How far a role may be from its setting, by a reading, for its mode to be taken as the one that was asked: own choice, twice what the model
// states for its setting, the uncertainty of the reading, and a part of the setting for what lies between.
const (
	modeFactor = 2
	modePart   = 0.005
)

// make makes the points of a list, in its order. A point that had not settled, overflowed, or is not in its mode is measured again from the host.
func (l *listing) make(ctx context.Context, done func(quantity.Quantity)) error {
	r, again := l.r, 0
	for k, v := range l.values {
		p, err := l.point(k)
		if err != nil {
			return err
		}
		why := ""
		l.at(l.levels[k], func() { why, err = p.doubt() })
		if err != nil {
			return err
		}
		if why != "" {
			if again++; l.reason == "" {
				l.reason = fmt.Sprintf("at %s %s, %s", l.plan.Step.Name, v, why)
			}
			l.away = false // its steps set the role
		} else if err := l.inject(ctx, p, v); err != nil {
			return err
		}
		if why != "" {
			r.good = false
			if err := r.block(ctx, l.plan.Step.Steps, frame{name: l.plan.Step.Name, coord: measured.Exact(v), label: l.label}); err != nil {
				return err
			}
		}
		l.last = l.levels[k]
		done(v)
	}
	l.points += len(l.values) - again
	l.again += again
	if again > len(l.values)/2 {
		l.why = fmt.Sprintf("%d of %d points of a list had to be measured again", again, len(l.values))
	}
	return nil
}

// inject runs the steps of a pass with the readings of the list.
func (l *listing) inject(ctx context.Context, p *listedPoint, v quantity.Quantity) (err error) {
	r := l.r
	was := r.state[l.plan.Role]
	r.listed = p
	r.state[l.plan.Role] = l.setting(l.levels[p.index])
	defer func() {
		r.listed = nil
		on := r.state[l.plan.Role].On // what was found out stays
		r.state[l.plan.Role] = was
		r.state[l.plan.Role].On = was.On && on
	}()
	r.good = false
	return r.block(ctx, l.plan.Step.Steps, frame{name: l.plan.Step.Name, coord: measured.Exact(v), label: l.label})
}

// keep makes points of what was read although the run ends.
func (l *listing) keep(ctx context.Context) error {
	for k, v := range l.values {
		p, err := l.point(k)
		if err == nil {
			err = l.inject(ctx, p, v)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// point sorts the readings of one level.
func (l *listing) point(k int) (*listedPoint, error) {
	p := &listedPoint{listing: l, index: k, modes: map[string]string{}}
	parts := []int{0}
	if l.plan.Parts > 1 {
		parts = []int{1, 2} // the first one is to settle
	}
	for _, part := range parts {
		all := make([]driver.Reading, len(l.group.gauges))
		for i := range l.takers {
			t := &l.takers[i]
			for n, at := range t.Readings {
				reading, err := l.reading(t, n, k, part)
				if err != nil {
					return nil, fmt.Errorf("%s: %w", t.Channel, err)
				}
				all[at] = reading
			}
		}
		p.readings = append(p.readings, all)
	}
	return p, nil
}

// doubt says why a point is to be measured again; empty where it stands. The state of the roles is that of the point.
func (p *listedPoint) doubt() (string, error) {
	g, r := p.group, p.r
	for _, all := range p.readings {
		for i, k := range g.gauges {
			if all[i].Overload && next(r.gauges[k].Ranges, all[i].RangeFull) > 0 {
				return r.gauges[k].Name() + " overflows its range", nil
			}
		}
	}
	if why, err := p.moving(); why != "" || err != nil {
		return why, err
	}
	return p.mode(), nil
}

// moving holds the two halves of the readings against each other, by what the settle steps ask: their value must not differ by more than the band and what the
// readings scatter.
func (p *listedPoint) moving() (string, error) {
	r := p.r
	if len(p.readings) < 2 {
		return "", nil
	}
	for _, s := range p.plan.Settles {
		var halves [2]measured.Value
		for h := range halves {
			for _, n := range s.Value.Nodes() {
				i := r.in(p.group, sequence.Function(n.Function), n.Node)
				r.nodes[nodeKey{n.Function, n.Node}] = p.readings[h][i].Value
			}
			result, err := s.Value.Eval(r)
			if err != nil {
				return fmt.Sprintf("%s has no value", s.Value.Text), nil
			}
			halves[h] = result.Value
		}
		band := s.Within.SI
		if s.Within.Dim == quantity.Ratio && halves[1].Dim != quantity.Ratio {
			band *= math.Abs(halves[1].X)
		}
		if d := measured.Sub(halves[1], halves[0]); !(math.Abs(d.X) <= band+d.Expanded()) {
			return fmt.Sprintf("%s had not settled: it moved by %s from one half of the reading to the other", s.Value.Text, d.Quantity().Text(2)), nil
		}
	}
	return "", nil
}

// mode says of each role that is on whether it does what it was asked, by the readings at its node; not empty where one does not.
func (p *listedPoint) mode() string {
	r := p.r
	for i := range r.roles {
		role, st := &r.roles[i], r.state[i]
		if role.feed == nil && role.sink == nil {
			continue
		}
		name := role.Need.Name
		if !st.On {
			p.modes[name] = "off"
			continue
		}
		p.modes[name] = "not asked"
		want := quantity.Of(st.Volts, quantity.Voltage)
		function := sequence.Volts
		if role.sink != nil {
			if want = st.Hold; want.Dim == quantity.Current {
				function = sequence.Amps
			}
		}
		k := r.in(p.group, function, role.Need.Node)
		within := modeFactor * r.plan.SetWithin(i, want)
		if st.ForceAmps || k < 0 || math.IsNaN(within) || function == sequence.Volts && want.Dim != quantity.Voltage {
			continue
		}
		if function == sequence.Volts && !role.Remote {
			amps := st.Amps
			if role.sink != nil || math.IsNaN(amps) {
				continue
			}
			within += 2 * role.LeadOhm * amps
		}
		read := p.readings[len(p.readings)-1][k]
		if off := math.Abs(read.Value.X - want.SI); !(off <= within+read.Value.Expanded()+modePart*math.Abs(want.SI)) && !read.Overload {
			return fmt.Sprintf("%s reads %s, and %s is set to %s", r.gauges[p.group.gauges[k]].Name(), read.Value.Quantity().Text(4), name, want)
		}
		p.modes[name] = r.wantedMode(i)
	}
	return ""
}

// fromList does a step of a point whose readings are there: nothing is set, nothing waited for.
func (r *runner) fromList(s sequence.Step) (done bool, err error) {
	switch s := s.(type) {
	case *sequence.Source, *sequence.Load, *sequence.Settle, *sequence.Wait:
		return true, nil
	case *sequence.Measure:
		return true, r.listed.measure(s)
	}
	return false, nil
}

// measure is a measure step with the readings of the list.
func (p *listedPoint) measure(s *sequence.Measure) error {
	r, g := p.r, p.group
	row := r.open()
	r.begin(row)
	row.at = p.readings[0][0].Start.Sub(r.started)
	r.notes = &row.notes
	defer func() { r.notes = nil }()
	for _, k := range g.gauges {
		r.gauges[k].fresh = 0
	}
	series := newSeries(g)
	err := error(nil)
	for _, all := range p.readings {
		copy(g.readings, all)
		for i, k := range g.gauges {
			gauge := &r.gauges[k]
			gauge.last, gauge.read = all[i], true
			r.remind(gauge)
		}
		r.addPass(g, series)
		if guard := r.insideGuards(g); err == nil {
			err = guard
		}
	}
	weights := make([]float64, series.passes())
	for n := range weights {
		weights[n] = 1 / float64(len(weights))
	}
	t := r.weighted(g, series, weights)
	r.correct(g, &t)
	r.keepReadings(row, g, s, t)
	if p.gone != "" {
		row.invalid("%s", p.gone)
	}
	for name, mode := range p.modes {
		row.modes[name] = mode
	}
	r.remark("from a list: the modes are by the readings")
	if err != nil {
		return err
	}
	return r.stale(row, g)
}
