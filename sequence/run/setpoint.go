package run

import (
	"context"
	"fmt"
	"math"

	"fourwire/driver"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
	"fourwire/sequence/expr"
	"fourwire/sequence/plan"
)

// setpoint works a setting out. One that rests on a measurement must be inside the guard with its whole uncertainty.
func (r *runner) setpoint(ctx context.Context, e *expr.Expr, who string, guard quantity.Span) (quantity.Quantity, error) {
	v, err := r.eval(ctx, e)
	if err != nil {
		return quantity.Quantity{}, err
	}
	return v.Quantity(), r.allowed(v, who, guard)
}

// allowed refuses a value that is not certainly inside the guard.
func (r *runner) allowed(v measured.Value, who string, guard quantity.Span) error {
	if !guard.Set || v.Dim != guard.Dim {
		return nil
	}
	u := v.Expanded()
	if v.X-u >= guard.Low && v.X+u <= guard.High { // false for NaN, too
		return nil
	}
	text := v.Quantity().String()
	if u > 0 {
		text += " +/- " + quantity.Of(u, v.Dim).Text(2)
	}
	return r.stop(Safety, "%s asked of %s is outside the guard of its node, %s", text, who, guard)
}

func (r *runner) role(name string) (int, error) {
	i := r.plan.RoleIndex(name)
	if i < 0 {
		return i, r.stop(Fault, "no need is called %q", name)
	}
	return i, nil
}

// source sets a source: its current limit before its voltage, both before its output goes on. What is set already is not
// sent again.
func (r *runner) source(ctx context.Context, s *sequence.Source) error {
	i, err := r.role(s.Role)
	if err != nil {
		return err
	}
	ctx, release, err := r.claimRole(ctx, i, s.Output != sequence.Off && (s.Force == sequence.Amps) == r.state[i].ForceAmps)
	if err != nil {
		return err
	}
	defer release()
	role := &r.roles[i]
	next := r.from(i, s)
	if s.Amps != nil {
		q, err := r.setpoint(ctx, s.Amps, s.Role+" as its current limit", role.Guard.Amps)
		if err != nil {
			return err
		}
		next.Amps = q.SI
	}
	if s.Volts != nil {
		q, err := r.setpoint(ctx, s.Volts, s.Role, role.Guard.Volts)
		if err != nil {
			return err
		}
		next.Volts = q.SI
	}
	next.On, next.ForceAmps = s.Output != sequence.Off, s.Force == sequence.Amps
	r.pulse(i, s, &next)
	if next.ForceAmps {
		return r.forceAmps(ctx, i, next)
	}
	if err := r.function(ctx, i, false); err != nil {
		return err
	}
	if !next.On {
		if err := r.switchOff(ctx, i); err != nil {
			return err
		}
	} else if err := r.armAhead(ctx, i, next); err != nil {
		return err
	}
	if next.Amps != r.state[i].Amps && !math.IsNaN(next.Amps) {
		r.touched[role.Channel.Instrument] = true
		if err := role.feed.SetAmps(ctx, quantity.Amp(next.Amps)); err != nil {
			return r.of(role, err)
		}
		r.state[i].Amps = next.Amps
	}
	if next.Volts != r.state[i].Volts && !math.IsNaN(next.Volts) {
		r.touched[role.Channel.Instrument] = true
		if err := role.feed.SetVolts(ctx, quantity.Volt(next.Volts)); err != nil {
			return r.of(role, err)
		}
		r.state[i].Volts = next.Volts
		r.moved()
	}
	if next.On && !r.state[i].On {
		if err := r.checkInstrument(ctx, role.Channel.Instrument); err != nil { // a limit that was refused must not meet an output that is on
			return r.of(role, err)
		}
		role.wasOn = true
		r.touched[role.Channel.Instrument] = true
		r.rises(i, next.Volts)
		began := r.clock.Now()
		if err := role.feed.Output(ctx, true); err != nil {
			return r.of(role, err)
		}
		r.acted(i, sequence.OnOutput, began)
		r.moved()
		r.state[i].On = true
		r.note("output", "info", fmt.Sprintf("%s on: %s, at most %s", role.Need.Name, quantity.Volt(next.Volts), quantity.Amp(next.Amps)))
	}
	if err := r.checkInstrument(ctx, role.Channel.Instrument); err != nil {
		return r.of(role, err)
	}
	return nil
}

// load sets a load: its level before its input goes on.
func (r *runner) load(ctx context.Context, s *sequence.Load) error {
	i, err := r.role(s.Role)
	if err != nil {
		return err
	}
	ctx, release, err := r.claimRole(ctx, i, true)
	if err != nil {
		return err
	}
	defer release()
	role := &r.roles[i]
	next := r.state[i]
	if s.Hold != nil {
		if next.Hold, err = r.level(ctx, s, role); err != nil {
			return err
		}
	}
	next.On = s.Input != sequence.Off
	if !next.On {
		if err := r.switchOff(ctx, i); err != nil {
			return err
		}
	} else if err := r.armAhead(ctx, i, next); err != nil {
		return err
	}
	if next.Hold != r.state[i].Hold && !math.IsNaN(next.Hold.SI) {
		r.touched[role.Channel.Instrument] = true
		if err := role.sink.Hold(ctx, next.Hold); err != nil {
			return r.of(role, err)
		}
		r.state[i].Hold = next.Hold
	}
	if next.On && !r.state[i].On {
		if feed := r.noSource(); feed != "" {
			return r.stop(Safety, "%s would be on before %s: a source goes on first", role.Need.Name, feed)
		}
		role.wasOn = true
		r.touched[role.Channel.Instrument] = true
		began := r.clock.Now()
		if err := role.sink.Input(ctx, true); err != nil {
			return r.of(role, err)
		}
		r.acted(i, sequence.OnOutput, began)
		r.state[i].On = true
		r.note("output", "info", fmt.Sprintf("%s on, holds %s", role.Need.Name, next.Hold))
	}
	if err := r.checkInstrument(ctx, role.Channel.Instrument); err != nil {
		return r.of(role, err)
	}
	return nil
}

// level works out what a load is to hold. Besides the level itself, the current that it means is held against the guard.
func (r *runner) level(ctx context.Context, s *sequence.Load, role *roleState) (quantity.Quantity, error) {
	v, err := r.eval(ctx, s.Hold)
	if err != nil {
		return quantity.Quantity{}, err
	}
	g := role.Guard
	guard := map[quantity.Dimension]quantity.Span{quantity.Current: g.Amps, quantity.Voltage: g.Volts, quantity.Power: g.Watts}[v.Dim]
	if err := r.allowed(v, s.Role, guard); err != nil {
		return quantity.Quantity{}, err
	}
	meant := nan
	switch v.Dim {
	case quantity.Resistance:
		meant = g.Volts.High / v.X
	case quantity.Power:
		if at := role.Need.AtVolts; at.Set && at.Low > 0 {
			meant = v.X / at.Low
		}
	}
	if g.Amps.Set && !math.IsNaN(meant) && !math.IsInf(meant, 0) && meant > g.Amps.High {
		return quantity.Quantity{}, r.stop(Safety, "%s asked of %s can draw %s, which is outside the guard of its node, %s", v.Quantity(), s.Role, quantity.Amp(meant), g.Amps)
	}
	return v.Quantity(), nil
}

// noSource names a source when the sequence has some and all are off.
func (r *runner) noSource() string {
	name := ""
	for i := range r.roles {
		if r.roles[i].feed == nil {
			continue
		}
		if r.state[i].On {
			return ""
		}
		name = r.roles[i].Need.Name
	}
	return name
}

// switchOff switches one role off in the middle of a run. Loads go off before a source does.
func (r *runner) switchOff(ctx context.Context, i int) error {
	if r.roles[i].feed != nil {
		for k := range r.roles {
			if r.roles[k].sink != nil && r.state[k].On {
				if err := r.switchOff(ctx, k); err != nil {
					return err
				}
			}
		}
	}
	if !r.state[i].On {
		return nil
	}
	role := &r.roles[i]
	r.touched[role.Channel.Instrument] = true
	if err := role.output(ctx, false); err != nil {
		return r.of(role, err)
	}
	r.state[i].On = false
	r.note("output", "info", role.Need.Name+" off")
	return nil
}

func (s *roleState) output(ctx context.Context, on bool) error {
	switch {
	case s.feed != nil:
		return s.feed.Output(ctx, on)
	case s.sink != nil:
		return s.sink.Input(ctx, on)
	}
	return nil
}

func (s *roleState) status(ctx context.Context) (driver.Status, error) {
	if s.feed != nil {
		return s.feed.Status(ctx)
	}
	return s.sink.Status(ctx)
}

// of says whose error it is.
func (r *runner) of(role *roleState, err error) error {
	return fmt.Errorf("%s (%s): %w", role.Need.Name, role.Channel, err)
}

// armAhead raises the range of every meter in series with the device before the current rises to what the next setting of
// role i brings, or, for a source, to its current limit: a starting device takes what it can get. Ranges are lowered only
// when a reading begins.
func (r *runner) armAhead(ctx context.Context, i int, next plan.Setting) error {
	was := r.state[i]
	if next == was {
		return nil
	}
	inrush := r.roles[i].feed != nil && (!was.On || next.Volts != was.Volts)
	var tasks []task
	for k := range r.gauges {
		g := &r.gauges[k]
		if g.arm == nil || g.Own || g.function != driver.Amps {
			continue
		}
		before, wide := r.predict(g), r.plan.Expect(r.state, g.Function, g.Node)
		r.state[i] = next
		after := r.predict(g)
		if guess := r.plan.Expect(r.state, g.Function, g.Node); guess > 2*wide {
			after = guess // what was learned at a small current says little about a large one
		}
		r.state[i] = was
		if inrush && g.Node == r.roles[i].Need.Node && !math.IsNaN(next.Amps) {
			after = next.Amps
		}
		most := math.Max(math.Abs(before), math.Abs(after)) // NaN where one is not known: the largest range
		full := g.Range(most)
		if full <= g.armed || most == 0 {
			continue
		}
		r.touched[g.Channel.Instrument] = true
		tasks = append(tasks, task{g.Channel.Instrument, func(ctx context.Context) error {
			if err := g.arm.Arm(ctx, driver.Request{Function: g.function, Expect: most}); err != nil {
				return fmt.Errorf("%s (%s): %w", g.Name(), g.Channel, err)
			}
			g.armed = full
			return nil
		}})
	}
	return r.together(ctx, tasks...)
}
