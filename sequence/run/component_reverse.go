package run

import (
	"context"
	"fmt"
	"math"
	"time"

	"fourwire/analysis/component"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
)

// reverse measures a resistance with a current that changes its direction from reading to reading. The first reading chooses the ranges and
// is not used.
func (r *runner) reverse(ctx context.Context, s *sequence.Reverse) error {
	i, err := r.role(s.Role)
	if err != nil {
		return err
	}
	role := &r.roles[i]
	volts, err := r.setpoint(ctx, s.Volts, s.Role+" as its compliance", role.Guard.Volts)
	if err != nil {
		return err
	}
	amps, err := r.setpoint(ctx, s.Amps, s.Role, role.Guard.Amps)
	if err != nil {
		return err
	}
	if err := r.allowed(measured.Exact(quantity.Of(-amps.SI, quantity.Current)), s.Role, role.Guard.Amps); err != nil {
		return err
	}
	if !(amps.SI > 0) {
		return r.stop(Input, "the current of a reversal is above zero, this is %s", amps)
	}
	g, err := r.reversing(s)
	if err != nil {
		return err
	}
	role.pulse = nil
	row := r.open()
	r.begin(row)
	r.notes = &row.notes
	defer func() { r.notes = nil }()
	set := func(amps float64) error {
		next := r.from(i, &sequence.Source{Force: sequence.Amps})
		next.On, next.ForceAmps, next.Volts, next.Amps = true, true, volts.SI, amps
		if err := r.forceAmps(ctx, i, next); err != nil {
			return err
		}
		if s.Settle.SI > 0 && amps != 0 {
			return r.rest(ctx, seconds(s.Settle.SI))
		}
		return nil
	}
	var readings []component.Reading
	var times []time.Time
	sign := 1.0
	for n := -1; n < s.Times; n++ {
		if err := set(sign * amps.SI); err != nil {
			return err
		}
		if n >= 0 {
			for k := range g.gauges { // all on one range: an offset must be the same in both directions
				g.pinned[k] = g.ranges[k]
			}
		}
		t, err := r.take(ctx, g, 1)
		if err != nil {
			return err
		}
		if n < 0 {
			for k := range g.gauges {
				if g.ranges[k] = headroom * math.Abs(t.values[k].X); r.gauges[g.gauges[k]].Function == sequence.Amps {
					g.ranges[k] = amps.SI // what it is off by is inside of what a range holds beyond its end
				}
			}
			continue // the same direction again
		}
		one := component.Reading{Volts: t.values[0], Amps: t.values[1]}
		if one.Compliance, err = r.limitedNow(ctx, i, row); err != nil {
			return err
		}
		readings, times = append(readings, one), append(times, g.readings[0].Start)
		sign = -sign
	}
	if err := set(0); err != nil {
		return err
	}
	res, err := component.Delta(readings, r.cfg.Ledger)
	if err != nil {
		r.note("note", "warn", fmt.Sprintf("no resistance by reversal: %v", err))
		nothing := func(what string) measured.Value { return measured.Value{X: nan, Dim: reverseDim(what)} }
		return r.give(s.Gives, nothing, "by reversal")
	}
	r.uneven(times)
	row.notes = append(row.notes, fmt.Sprintf("%d readings with alternating current, %s apart; on %s and %s", len(readings), quantity.Of(spacing(times), quantity.Time).Text(3),
		quantity.Of(g.readings[0].RangeFull, quantity.Voltage), quantity.Of(g.readings[1].RangeFull, quantity.Current)))
	last := readings[len(readings)-1].Amps
	power := measured.Mul(measured.Mul(last, last), res.Ohms)
	return r.give(s.Gives, func(what string) measured.Value {
		switch what {
		case "resistance":
			return res.Ohms
		case "thermal":
			return res.Thermal
		}
		return power
	}, "by reversal")
}

// headroom is what the range of the readings holds beyond the first: the thermal EMF may add in one direction and not in the other.
const headroom = 1.05

func reverseDim(what string) quantity.Dimension {
	for _, one := range sequence.ReverseResults() {
		if one.What == what {
			return one.Dim
		}
	}
	return quantity.Ratio
}

// reversing makes the readings of a reverse step ready.
func (r *runner) reversing(s *sequence.Reverse) (*group, error) {
	if g, ok := r.groups[s]; ok {
		clear(g.pinned)
		return g, nil
	}
	g, err := r.newGroup(s.Reading())
	if err != nil {
		return nil, err
	}
	g.passes = 1
	r.groups[s] = g
	return g, nil
}

// limitedNow tells whether the source is in compliance.
func (r *runner) limitedNow(ctx context.Context, i int, row *row) (bool, error) {
	before := len(row.why)
	if err := r.modes(ctx, row); err != nil {
		return false, err
	}
	return len(row.why) > before, nil
}

// spacing is the mean time from one reading to the next, s.
func spacing(times []time.Time) float64 {
	if len(times) < 2 {
		return 0
	}
	return times[len(times)-1].Sub(times[0]).Seconds() / float64(len(times)-1)
}

// unevenShare is by how much the time between two readings may differ from their mean before it is noted: own choice.
const unevenShare = 0.25

// uneven notes readings that do not follow each other evenly: a thermal EMF that drifts then does not cancel whole.
func (r *runner) uneven(times []time.Time) {
	mean, worst := spacing(times), 0.0
	for k := 1; k < len(times); k++ {
		worst = math.Max(worst, math.Abs(times[k].Sub(times[k-1]).Seconds()-mean))
	}
	if worst > unevenShare*mean {
		r.remark("the readings are up to %s off an even spacing of %s: a thermal EMF that drifts does not cancel whole",
			quantity.Of(worst, quantity.Time).Text(2), quantity.Of(mean, quantity.Time).Text(2))
	}
}
