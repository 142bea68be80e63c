package run

import (
	"context"
	"fmt"
	"math"
	"time"

	"fourwire/driver"
	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// group is readings that are taken at one time, sorted into rounds: in one round each instrument takes one.
type group struct {
	gauges   []int // by reading
	rounds   [][]int
	aperture time.Duration
	mirrored bool
	passes   int
	pinned   []float64        // by reading: what its range must hold; 0: what is expected
	readings []driver.Reading // of the last time
	expect   []float64
	ranges   []float64 // full scales at the last point; 0: none yet
	met      []float64 // the higher of two ranges that were compared last
}

func (r *runner) newGroup(m *sequence.Measure) (*group, error) {
	n := len(m.Readings)
	g := &group{rounds: r.plan.Rounds(m), aperture: seconds(m.Aperture.SI), readings: make([]driver.Reading, n), expect: make([]float64, n),
		mirrored: r.plan.Mirrored(m), passes: r.plan.Passes(m), pinned: make([]float64, n), ranges: make([]float64, n), met: make([]float64, n)}
	if g.aperture <= 0 {
		g.aperture = plan.DefaultAperture
	}
	for i, reading := range m.Readings {
		k := r.plan.GaugeIndex(reading.Function, reading.Node)
		if k < 0 {
			return nil, r.stop(Bench, "nothing on this bench reads %s(%s)", reading.Function, reading.Node)
		}
		g.gauges = append(g.gauges, k)
		g.pinned[i] = m.Ranges[reading.Name].SI
	}
	return g, nil
}

// reading does a measure step, with every source as it is.
func (r *runner) reading(ctx context.Context, s *sequence.Measure) error {
	g, ok := r.groups[s]
	if !ok {
		var err error
		if g, err = r.newGroup(s); err != nil {
			return err
		}
		r.groups[s] = g
	}
	row := r.open()
	r.begin(row)
	for _, k := range g.gauges {
		r.gauges[k].fresh = 0
	}
	r.notes = &row.notes
	defer func() { r.notes = nil }()
	ctx, release, err := r.claimPoint(ctx, g, s)
	if err != nil {
		return err
	}
	defer release()
	t, err := r.takeFor(ctx, g, s)
	r.keepReadings(row, g, s, t)
	if err != nil {
		return err
	}
	if !r.inPulse { // a pulse lasts no longer for it
		if err := r.overlap(ctx, g, s, t); err != nil {
			return err
		}
	}
	if err := r.modes(ctx, row); err != nil {
		return err
	}
	return r.stale(row, g)
}

// keepReadings makes what a measure step has read known to the steps that follow, and to the point.
func (r *runner) keepReadings(row *row, g *group, s *sequence.Measure, t taken) {
	for i, v := range t.values { // also what there is of a reading that ends the run
		name := s.Readings[i].Name
		r.keep(name, v)
		c := r.cell(v)
		c.Overload = t.overload[i]
		row.cells[name] = c
		gauge := &r.gauges[g.gauges[i]]
		r.learn(gauge, v.X)
		r.remember(name, g, i, v)
		row.ranges[name] = quantity.Of(g.readings[i].RangeFull, v.Dim).String()
		if t.overload[i] {
			row.invalid("%s overflows the %s range of %s", name, row.ranges[name], gauge.Channel)
		}
	}
}

// takeFor reads a group as a measure step asks.
func (r *runner) takeFor(ctx context.Context, g *group, s *sequence.Measure) (taken, error) {
	switch {
	case s.Burst.Auto:
		return r.takeAuto(ctx, g, s)
	case s.Burst.For.SI > 0:
		return r.takeWeighted(ctx, g, s)
	}
	return r.take(ctx, g, g.passes)
}

// expected is what the range is chosen for. A meter in series that cannot be put on a range ahead stays on its largest.
func (r *runner) expected(k int) float64 {
	g := &r.gauges[k]
	if g.function == driver.Amps && !g.Own && g.arm == nil {
		return nan
	}
	return r.predict(g)
}

// predict is what a gauge will read with the roles set as they are. Where the plan can only guess, the part of its guess that
// the last measure step found is taken for the next, with a fifth to spare: a lower range is worth more than a better meter.
func (r *runner) predict(g *gaugeState) float64 {
	x := r.plan.Expect(r.state, g.Function, g.Node)
	if g.guessed && g.learned > 0 {
		x *= math.Min(1, 1.2*g.learned)
	}
	return x
}

// learn compares what was read with what was guessed.
func (r *runner) learn(g *gaugeState, read float64) {
	guess := r.plan.Expect(r.state, g.Function, g.Node)
	if part := math.Abs(read / guess); g.guessed && part > 0 && !math.IsInf(part, 0) { // false for NaN
		g.learned = part
	}
}

// once reads every gauge of a group, in rounds, forwards or backwards. Where one overflows and has a larger range, all are read again, so that
// they still belong to one time.
func (r *runner) once(ctx context.Context, g *group, backwards bool) error {
	for {
		for n := range g.rounds {
			if backwards {
				n = len(g.rounds) - 1 - n
			}
			if err := r.round(ctx, g, g.rounds[n]); err != nil {
				return err
			}
		}
		again := false
		for i, k := range g.gauges {
			gauge := &r.gauges[k]
			if !g.readings[i].Overload {
				continue
			}
			if larger := next(gauge.Ranges, g.readings[i].RangeFull); larger > 0 {
				r.note("range", "info", fmt.Sprintf("%s overflows the %s range of %s; read again on %s", gauge.Name(),
					quantity.Of(g.readings[i].RangeFull, gaugeDim(gauge)), gauge.Channel, quantity.Of(larger, gaugeDim(gauge))))
				g.expect[i] = larger
				again = true
			}
		}
		if !again {
			return nil
		}
	}
}

// next is the smallest range above full; 0 where there is none.
func next(ranges []float64, full float64) float64 {
	for _, f := range ranges {
		if f > full*(1+1e-9) {
			return f
		}
	}
	return 0
}

func gaugeDim(g *gaugeState) quantity.Dimension {
	if g.function == driver.Amps {
		return quantity.Current
	}
	return quantity.Voltage
}

// round begins every reading of a round, then waits for each.
func (r *runner) round(ctx context.Context, g *group, round []int) error {
	if err := r.pump(ctx); err != nil {
		return err
	}
	names := r.roundOf(g, round)
	ctx, release, err := r.claim(ctx, names...)
	if err != nil {
		return err
	}
	defer release()
	for _, i := range round {
		if err := r.route(ctx, &r.gauges[g.gauges[i]]); err != nil {
			return err
		}
	}
	var windows map[int]*window
	var begin, end []task
	for _, i := range round {
		gauge := &r.gauges[g.gauges[i]]
		if rec, signal, ok := r.recorded(gauge); ok {
			if windows == nil {
				windows = map[int]*window{}
			}
			windows[i] = r.openWindow(rec, signal, g.aperture)
			continue
		}
		r.touched[gauge.Channel.Instrument] = true
		begin = append(begin, task{gauge.Channel.Instrument, func(ctx context.Context) error {
			if err := gauge.meter.Begin(ctx, driver.Request{Function: gauge.function, Aperture: g.aperture, Expect: g.expect[i]}); err != nil {
				return fmt.Errorf("%s (%s): %w", gauge.Name(), gauge.Channel, err)
			}
			gauge.armed = gauge.Range(g.expect[i])
			return nil
		}})
	}
	if err := r.together(ctx, begin...); err != nil {
		return err
	}
	for _, i := range round {
		gauge := &r.gauges[g.gauges[i]]
		end = append(end, task{gauge.Channel.Instrument, func(ctx context.Context) error {
			reading, err := r.end(ctx, gauge, windows[i])
			if err != nil {
				return err
			}
			g.readings[i] = reading
			gauge.last, gauge.read = reading, true
			r.seeRising(gauge)
			r.remind(gauge)
			return nil
		}})
	}
	if windows != nil { // a window of a recording is closed by whatever records
		return inTurn(ctx, end)
	}
	if err := r.together(ctx, end...); err != nil {
		return err
	}
	return r.settled(ctx, names)
}

// end waits for a reading: of the meter itself, or of the recording that holds it.
func (r *runner) end(ctx context.Context, g *gaugeState, w *window) (driver.Reading, error) {
	if w != nil {
		return r.closeWindow(ctx, w)
	}
	reading, err := g.meter.End(ctx)
	if err != nil {
		return reading, fmt.Errorf("%s (%s): %w", g.Name(), g.Channel, err)
	}
	return reading, nil
}

// insideGuards holds every reading of a group against the guard of its node.
func (r *runner) insideGuards(g *group) error {
	for i, k := range g.gauges {
		gauge, reading := &r.gauges[k], g.readings[i]
		if !gauge.guard.Set {
			continue
		}
		dim := gaugeDim(gauge)
		if reading.Overload {
			if next(gauge.Ranges, reading.RangeFull) == 0 && math.Abs(gauge.guard.High) <= reading.RangeFull {
				return r.beyond(gauge.Node, "%s is beyond the %s range of %s; the guard is %s", gauge.Name(), quantity.Of(reading.RangeFull, dim), gauge.Channel, gauge.guard)
			}
			continue
		}
		if !gauge.guard.Holds(reading.Value.X) {
			return r.beyond(gauge.Node, "%s reads %s, which is outside its guard, %s", gauge.Name(), quantity.Of(reading.Value.X, dim), gauge.guard)
		}
	}
	return r.wattsInsideGuards(g)
}

// wattsInsideGuards multiplies what was read at one node at one time.
func (r *runner) wattsInsideGuards(g *group) error {
	for i, k := range g.gauges {
		v := &r.gauges[k]
		w, ok := r.plan.Guard(v.Node)
		if !ok || !w.Watts.Set || v.function != driver.Volts || g.readings[i].Overload {
			continue
		}
		for j, l := range g.gauges {
			a := &r.gauges[l]
			if a.Node != v.Node || a.function != driver.Amps || g.readings[j].Overload {
				continue
			}
			if watts := g.readings[i].Value.X * g.readings[j].Value.X; !w.Watts.Holds(watts) {
				return r.beyond(v.Node, "%s at %s is outside its guard, %s", quantity.Watt(watts), v.Node, w.Watts)
			}
		}
	}
	return nil
}
