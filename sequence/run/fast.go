package run

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"fourwire/driver"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
	"fourwire/sequence/expr"
	"fourwire/sequence/plan"
)

// ListRunner is a channel that runs through a list of levels by itself.
type ListRunner interface {
	Load(context.Context, driver.ListPlan) error
	Start(context.Context) error
	Await(ctx context.Context, longest time.Duration) error
	Abort(context.Context) error
}

// Taker is a channel that takes one reading for each pulse of a trigger line.
type Taker interface {
	Arm(context.Context, driver.Capture) (driver.Armed, error)
	Await(ctx context.Context, until driver.CaptureState, longest time.Duration) error
	Fetch(context.Context, *driver.Samples) error
	Abort(context.Context) error
	Reading(a driver.Armed, functions []driver.Function, i int, value float64) (driver.Reading, error)
}

// Quick is the ability of an Instrument to step and to measure by itself.
type Quick interface {
	ListRunner(channel int) (ListRunner, error)
	Taker(channel int) (Taker, error)
	TriggerOut(ctx context.Context, line int, on string) error
}

func (o opened) ListRunner(channel int) (ListRunner, error) { return o.Instrument.List(channel) }
func (o opened) Taker(channel int) (Taker, error)           { return o.Instrument.Digitiser(channel) }

const (
	leastLevels = 8 // of a list, before a lower range is worth another list
	leastListed = 3 // values for which a list is worth its messages
	listSlack   = 2 * time.Second
)

// fastSweep is a sweep that its instruments do by themselves, list by list.
type fastSweep struct {
	r      *runner
	plan   *plan.Fast
	label  string
	why    string // why it is stepped from the host from here on; empty: it is not
	group  *group
	lister ListRunner
	from   Quick // the instrument that runs the list
	takers []taker
	safe   quantity.Quantity
	settle float64 // s, from a level to its readings

	last          quantity.Quantity // level of the last point; it is gone back to in the end
	joined        bool              // the steps of its list go out on the trigger line
	away          bool              // the role stands at its safe level
	lists, points int
	again         int // points that were measured again from the host
	reason        string
}

// taker is one of the channels that take the readings.
type taker struct {
	plan.Taker
	side      Taker
	functions []driver.Function
	armed     driver.Armed
	samples   driver.Samples
}

// newFast is nil for a sweep that is stepped from the host.
func (r *runner) newFast(s *sequence.Sweep, label string) (*fastSweep, error) {
	p := r.plan.Fast(s)
	if p == nil {
		return nil, nil
	}
	f := &fastSweep{r: r, plan: p, label: label, why: p.Why}
	if f.why == "" {
		if err := f.connect(); err != nil {
			return nil, err
		}
	}
	return f, nil
}

// connect finds the sides of the instruments that do it.
func (f *fastSweep) connect() (err error) {
	r := f.r
	quick := func(ch plan.Channel) (Quick, bool) {
		q, ok := r.cfg.Instruments[ch.Instrument].(Quick)
		if !ok {
			f.why = ch.Instrument + " runs no lists here"
		}
		return q, ok
	}
	channel := r.roles[f.plan.Role].Channel
	var ok bool
	if f.from, ok = quick(channel); !ok {
		return nil
	}
	if f.lister, err = f.from.ListRunner(channel.Number); err != nil {
		return fmt.Errorf("%s: %w", channel, err)
	}
	if f.group, ok = r.groups[f.plan.Measure]; !ok {
		if f.group, err = r.newGroup(f.plan.Measure); err != nil {
			return err
		}
		r.groups[f.plan.Measure] = f.group
	}
	for i := range f.plan.Takers {
		t := taker{Taker: f.plan.Takers[i]}
		q, ok := quick(t.Channel)
		if !ok {
			return nil
		}
		if t.side, err = q.Taker(t.Channel.Number); err != nil {
			return fmt.Errorf("%s: %w", t.Channel, err)
		}
		for _, k := range t.Readings {
			t.functions = append(t.functions, r.gauges[f.group.gauges[k]].function)
		}
		f.takers = append(f.takers, t)
	}
	return nil
}

// errNoList says why values cannot be a list: they are stepped from the host.
type errNoList string

func (e errNoList) Error() string { return string(e) }

// list does as many of some values as one list holds: n is how many, 0 where they are to be stepped from the host.
func (f *fastSweep) list(ctx context.Context, values []quantity.Quantity, done func(quantity.Quantity)) (n int, err error) {
	if f == nil || f.why != "" || f.r.ff != nil || len(values) < leastListed {
		return 0, nil
	}
	ctx, release, err := f.r.claimAll(ctx)
	if err != nil {
		return 0, err
	}
	defer release()
	levels, err := f.levels(ctx, values)
	if err == nil {
		n = f.reach(levels)
		err = f.ready(ctx)
	}
	var no errNoList
	if errors.As(err, &no) {
		f.why = string(no)
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	l := &listing{fastSweep: f, values: values[:n], levels: levels[:n]}
	if err := l.run(ctx); err != nil {
		return 0, err
	}
	f.lists++
	return n, l.make(ctx, done)
}

// levels works out what the role is set to at each value, and holds each against the guard before the first is sent.
func (f *fastSweep) levels(ctx context.Context, values []quantity.Quantity) ([]quantity.Quantity, error) {
	r, role := f.r, &f.r.roles[f.plan.Role]
	was := r.place
	defer func() { r.place = was }()
	r.place = f.plan.Set.At()
	out := make([]quantity.Quantity, len(values))
	for i, v := range values {
		r.frames = append(r.frames, frame{name: f.plan.Step.Name, coord: measured.Exact(v), label: f.label})
		var err error
		switch s := f.plan.Set.(type) {
		case *sequence.Load:
			out[i], err = r.level(ctx, s, role)
			if err == nil && out[i].Dim != quantity.Current {
				err = errNoList(fmt.Sprintf("%s steps amps by lists, not %s", role.Channel, out[i].Dim.Name()))
			}
		case *sequence.Source:
			out[i], err = r.setpoint(ctx, s.Volts, s.Role, role.Guard.Volts)
		}
		if err != nil {
			return nil, err // the frames stay where the run ends, so that the message knows where it was
		}
		r.frames = r.frames[:len(r.frames)-1]
	}
	return out, nil
}

// setting is what the role is set to at a level.
func (f *fastSweep) setting(level quantity.Quantity) plan.Setting {
	st := f.r.state[f.plan.Role]
	if f.r.roles[f.plan.Role].feed != nil {
		st.Volts = level.SI
	} else {
		st.Hold = level
	}
	st.On = true
	return st
}

// at does something with the state of the roles as it is at a level.
func (f *fastSweep) at(level quantity.Quantity, do func()) {
	st := &f.r.state[f.plan.Role]
	was := *st
	*st = f.setting(level)
	do()
	*st = was
}

// ranges are the full scales that the readings are expected to need at a level.
func (f *fastSweep) ranges(level quantity.Quantity) []float64 {
	g := f.group
	out := make([]float64, len(g.gauges))
	f.at(level, func() {
		f.r.expectAll(g)
		for i, k := range g.gauges {
			out[i] = f.r.gauges[k].Range(g.expect[i])
		}
	})
	return out
}

// reach is how many levels go into one list: as many as it holds, and as stay on the same ranges. A range holds for a whole list.
func (f *fastSweep) reach(levels []quantity.Quantity) int {
	most := min(len(levels), f.plan.Levels())
	have := f.ranges(levels[0])
	for n := 1; n < most; n++ {
		next := f.ranges(levels[n])
		if n >= leastLevels && len(levels)-n >= leastListed && !slices.Equal(next, have) {
			return n
		}
		for i := range have {
			have[i] = math.Max(have[i], next[i])
		}
	}
	return most
}

// ready brings the role to the level that the list begins and ends with: a load to its least current, with its input on; a source is on, and
// stays where it is.
func (f *fastSweep) ready(ctx context.Context) (err error) {
	r, st := f.r, f.r.state[f.plan.Role]
	was := r.place
	defer func() { r.place = was }()
	r.place = f.plan.Set.At()
	for _, t := range f.takers {
		if rec := r.recordingOf(t.Channel); rec != nil && !rec.ended {
			return errNoList(fmt.Sprintf("%s records at this time", t.Channel))
		}
	}
	number := func(e *expr.Expr) (float64, error) {
		v, err := r.eval(ctx, e)
		return v.X, err
	}
	if f.settle, err = f.plan.SettleSeconds(number); err != nil {
		return err
	}
	pos := sequence.Pos{Place: r.place}
	switch s := f.plan.Set.(type) {
	case *sequence.Load:
		f.safe = quantity.Of(f.plan.Safe, quantity.Current)
		err = r.load(ctx, &sequence.Load{Pos: pos, Role: s.Role, Hold: expr.Constant(f.safe), Input: sequence.On})
	case *sequence.Source:
		if !st.On || math.IsNaN(st.Volts) || st.ForceAmps {
			return errNoList(s.Role + " is not on when the sweep begins")
		}
		if f.safe.Dim != quantity.Voltage {
			f.safe = quantity.Of(st.Volts, quantity.Voltage)
		}
		err = r.source(ctx, &sequence.Source{Pos: pos, Role: s.Role, Volts: expr.Constant(f.safe), Amps: s.Amps, Output: sequence.On, Force: sequence.Volts})
	}
	f.away = true
	return err
}

// steps takes note that the host sets the role from here on.
func (f *fastSweep) steps() {
	if f != nil {
		f.away = false
	}
}

// end leaves the role where the last value has it, as when it is stepped from the host, and says how the sweep was done.
func (f *fastSweep) end(ctx context.Context) error {
	if f == nil || f.r.ff != nil {
		return nil
	}
	r := f.r
	ctx, release, err := r.claimAll(ctx)
	if err != nil {
		return err
	}
	defer release()
	if f.joined {
		f.joined = false
		if err := f.from.TriggerOut(ctx, f.plan.Line, ""); err != nil {
			return err
		}
	}
	if f.away && f.last.Dim != (quantity.Dimension{}) {
		pos := sequence.Pos{Place: f.plan.Set.At()}
		var err error
		switch s := f.plan.Set.(type) {
		case *sequence.Load:
			err = r.load(ctx, &sequence.Load{Pos: pos, Role: s.Role, Hold: expr.Constant(f.last), Input: sequence.On})
		case *sequence.Source:
			err = r.source(ctx, &sequence.Source{Pos: pos, Role: s.Role, Volts: expr.Constant(f.last), Output: sequence.On, Force: sequence.Volts})
		}
		if err != nil {
			return err
		}
	}
	name := f.plan.Step.Name
	if f.lists == 0 {
		r.note("fast", "warn", fmt.Sprintf("the sweep over %s was stepped from the host: %s", name, f.why), "by", "host", "why", f.why)
		return nil
	}
	how := "settling by the waits of its steps"
	if f.plan.Parts > 1 {
		how = "settling by the two halves of each reading"
	}
	text := fmt.Sprintf("the sweep over %s: %d points from %d lists of %s on trigger line %d, each level for %s, %s; modes by the readings: they are not asked during a list", name, f.points, f.lists,
		r.roles[f.plan.Role].Channel, f.plan.Line, quantity.Of(f.dwell(), quantity.Time).Text(3), how)
	if f.again > 0 {
		text += fmt.Sprintf("; %d points measured again from the host: %s", f.again, f.reason)
	}
	if f.why != "" {
		text += "; the rest from the host: " + f.why
	}
	r.note("fast", level(f.why == ""), text, "by", "list", "points", fmt.Sprint(f.points), "again", fmt.Sprint(f.again))
	return nil
}

// dwell is how long a level lasts, s.
func (f *fastSweep) dwell() float64 {
	sum := 0.0
	for _, d := range f.dwells() {
		sum += d
	}
	return sum
}

// dwells are the steps of the list that make one level, s: settling and reading in one, or settling, and the two halves.
func (f *fastSweep) dwells() []float64 {
	reading := f.plan.Aperture.Seconds()
	for _, t := range f.takers {
		reading = math.Max(reading, t.armed.ApertureSeconds)
	}
	reading += f.plan.Slack.Seconds()
	least := f.plan.Lists.Least.Seconds()
	if f.plan.Parts == 1 {
		return []float64{math.Max(least, f.settle+reading)}
	}
	half := math.Max(least, reading)
	return []float64{math.Max(half, f.settle), half, half}
}
