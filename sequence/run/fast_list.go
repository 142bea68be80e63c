package run

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"fourwire/driver"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence/plan"
)

// listing is one list of a fast sweep, with what was read while it ran.
type listing struct {
	*fastSweep
	values []quantity.Quantity // of the sweep
	levels []quantity.Quantity // that they mean for the role
	steps  []float64           // s, of one level
	begun  time.Time
	gone   string // what went off while it ran; empty: nothing
}

// run arms whoever measures, then has the list run, and takes what was read. Whatever goes wrong, the list is stopped: the role goes to its safe level.
func (l *listing) run(ctx context.Context) (err error) {
	r := l.r
	r.at(l.plan.Set.At())
	defer func() {
		if err != nil {
			l.abort(ctx)
		}
	}()
	if err := l.arm(ctx); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	l.begun = r.clock.Now()
	if err := l.lister.Start(ctx); err != nil {
		return r.of(&r.roles[l.plan.Role], err)
	}
	if err := l.await(ctx); err != nil {
		return err
	}
	said, err := l.fetch(ctx)
	if err != nil {
		return err
	}
	return l.look(ctx, said)
}

// arm puts every reading on the range that its largest value of this list needs, and has it wait for the pulses; the list is loaded meanwhile.
func (l *listing) arm(ctx context.Context) error {
	r, g := l.r, l.group
	most := make([]float64, len(g.gauges))
	top := l.levels[0]
	for _, level := range l.levels {
		if math.Abs(level.SI) > math.Abs(top.SI) {
			top = level
		}
		for i, full := range l.ranges(level) {
			most[i] = math.Max(most[i], full)
		}
	}
	role := &r.roles[l.plan.Role]
	r.touched[role.Channel.Instrument] = true
	tasks := []task{{role.Channel.Instrument, func(ctx context.Context) error { // it takes longest
		if err := l.load(ctx); err != nil {
			return r.of(role, err)
		}
		return nil
	}}}
	for i := range l.takers {
		t := &l.takers[i]
		want := driver.Capture{Functions: t.functions, ApertureSeconds: l.plan.Aperture.Seconds(), Count: l.plan.Parts * len(l.levels),
			Trigger: driver.Trigger{On: driver.OnLine, Line: l.plan.Line}}
		if l.plan.Parts == 1 {
			want.DelaySeconds = l.settle
		}
		for n, k := range t.Readings {
			gauge := &r.gauges[g.gauges[k]]
			if gauge.armed = most[k]; t.functions[n] == driver.Volts {
				want.VoltsFull = most[k]
			} else {
				want.AmpsFull = most[k]
			}
		}
		r.touched[t.Channel.Instrument] = true
		tasks = append(tasks, task{t.Channel.Instrument, func(ctx context.Context) (err error) {
			if t.armed, err = t.side.Arm(ctx, want); err != nil {
				err = fmt.Errorf("%s: %w", t.Channel, err)
			}
			return err
		}})
	}
	if err := r.together(ctx, tasks...); err != nil {
		return err
	}
	if !slices.Equal(l.steps, l.dwells()) { // an aperture is not as asked
		if err := l.load(ctx); err != nil {
			return r.of(role, err)
		}
	}
	return l.armOthers(ctx, l.setting(top))
}

// armOthers puts meters that are in series and take no readings here on the range for the highest level.
func (l *listing) armOthers(ctx context.Context, top plan.Setting) error {
	g := l.group
	was := make([]float64, len(g.gauges))
	for i, k := range g.gauges {
		was[i], l.r.gauges[k].armed = l.r.gauges[k].armed, math.Inf(1)
	}
	err := l.r.armAhead(ctx, l.plan.Role, top)
	for i, k := range g.gauges {
		l.r.gauges[k].armed = was[i]
	}
	return err
}

// load puts the list into the instrument. It ends at the safe level.
func (l *listing) load(ctx context.Context) error {
	l.steps = l.dwells()
	p := driver.ListPlan{Of: driver.Amps, Safe: l.safe.SI}
	if l.r.roles[l.plan.Role].feed != nil {
		p.Of = driver.Volts
	}
	for _, level := range l.levels {
		for _, d := range l.steps {
			p.Levels, p.Dwell = append(p.Levels, level.SI), append(p.Dwell, d)
		}
	}
	p.Levels, p.Dwell = append(p.Levels, l.safe.SI), append(p.Dwell, l.plan.Lists.Least.Seconds())
	if err := l.lister.Load(ctx, p); err != nil || l.joined {
		return err
	}
	err := l.from.TriggerOut(ctx, l.plan.Line, "steps")
	l.joined = err == nil
	return err
}

func (l *listing) level() time.Duration {
	sum := 0.0
	for _, d := range l.steps {
		sum += d
	}
	return seconds(sum)
}

// await lets the list run to its end.
func (l *listing) await(ctx context.Context) error {
	r, whole := l.r, time.Duration(len(l.levels))*l.level()
	if r.cfg.Busy != nil {
		r.cfg.Busy(whole + listSlack)
	}
	span := r.cfg.Spans.EnterWhole(ledger.Aperture, "")
	reading := time.Duration(max(1, l.plan.Parts-1)) * l.plan.Aperture
	err := r.sleep(ctx, whole)
	if err == nil {
		err = l.lister.Await(ctx, listSlack)
	}
	span.LeaveFirst(ledger.Settle, time.Duration(len(l.levels))*max(0, l.level()-reading))
	if err != nil {
		return r.of(&r.roles[l.plan.Role], err)
	}
	return nil
}

// fetch takes the readings, all of each channel as one block, and asks meanwhile every role that is on what it is doing.
func (l *listing) fetch(ctx context.Context) ([]driver.Status, error) {
	var tasks []task
	want := l.plan.Parts * len(l.levels)
	for i := range l.takers {
		t := &l.takers[i]
		tasks = append(tasks, task{t.Channel.Instrument, func(ctx context.Context) error {
			err := t.side.Await(ctx, driver.CaptureEnded, listSlack)
			switch {
			case errors.Is(err, driver.ErrNotTriggered):
				return fmt.Errorf("%s has not heard every step of the list: look at trigger line %d: %w", t.Channel, l.plan.Line, err)
			case err == nil:
				err = t.side.Fetch(ctx, &t.samples)
			}
			if err == nil && (t.samples.Count != want || len(t.samples.Values) != len(t.functions)) {
				err = fmt.Errorf("%w: %d readings came, and the list has %d steps", driver.ErrSamples, t.samples.Count, want)
			}
			if err != nil {
				return fmt.Errorf("%s: %w", t.Channel, err)
			}
			return nil
		}})
	}
	return l.r.inspectBeside(ctx, tasks...)
}

// look sees whether every role that was on still is, and whether a protection has tripped: that stays until it is reset.
func (l *listing) look(ctx context.Context, said []driver.Status) error {
	r := l.r
	for i, st := range said {
		role := &r.roles[i]
		switch {
		case role.feed == nil && role.sink == nil || !r.state[i].On || st.On && len(st.Tripped) == 0:
		case len(st.Tripped) > 0:
			r.state[i].On = false
			l.gone = fmt.Sprintf("%s tripped while the list ran", role.Need.Name)
			return errors.Join(l.keep(ctx), r.tripped(role, st.Tripped))
		default:
			r.state[i].On = false
			l.gone = fmt.Sprintf("%s went off while the list ran", role.Need.Name)
			return errors.Join(l.keep(ctx), r.stop(Bench, "%s (%s) %w, and nothing tripped: an interlock, or somebody at its front panel", role.Need.Name, role.Channel, errWentOff))
		}
	}
	return nil
}

// abort stops the list, and whoever waits for its pulses.
func (l *listing) abort(ctx context.Context) {
	r := l.r
	ctx, cancel := r.clock.WithTimeout(context.WithoutCancel(ctx), r.cfg.OffWithin)
	defer cancel()
	errs := []error{l.lister.Abort(ctx)}
	for i := range l.takers {
		errs = append(errs, l.takers[i].side.Abort(ctx))
	}
	if err := errors.Join(errs...); err != nil {
		r.note("safe", "warn", fmt.Sprintf("the list over %s could not be stopped; the outputs are switched off next: %v", l.plan.Step.Name, err))
	}
}

// reading is what one trigger gave: part is the step of the level.
func (l *listing) reading(t *taker, n, point, part int) (driver.Reading, error) {
	value := float64(t.samples.Values[n][point*l.plan.Parts+part])
	r, err := t.side.Reading(t.armed, t.functions, n, value)
	if errors.Is(err, driver.ErrNoReading) {
		err = nil
		r.Overload, r.Value = true, measured.Value{X: nan, Dim: t.functions[n].Dim()}
	}
	at := float64(point) * l.level().Seconds()
	for _, d := range l.steps[:part] {
		at += d
	}
	if l.plan.Parts == 1 {
		at += l.settle
	}
	r.Start = l.begun.Add(seconds(at))
	r.End = r.Start.Add(seconds(t.armed.ApertureSeconds))
	return r, err
}
