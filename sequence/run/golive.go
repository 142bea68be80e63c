package run

import (
	"context"
	"fmt"
	"math"
	"strconv"

	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/expr"
	"fourwire/sequence/plan"
)

// goLive ends the walk along the record and brings the bench to where it was: sources on at their values with the device unloaded, then what
// the passes around this step waited for, then the loads. What the steps that come now set anyway is not set before. rest is the list from
// this step on.
func (r *runner) goLive(ctx context.Context, rest []sequence.Step) error {
	ff, place := r.ff, r.place
	want := append([]plan.Setting(nil), r.state...)
	soon := r.lookAhead(rest, want)
	r.ff = nil
	copy(r.state, ff.before)
	frames, at := r.frames, r.ordinal
	defer func() { r.frames, r.place, r.ordinal = frames, place, at }()
	r.note("resume", "info", fmt.Sprintf("%d points are there; the run goes on from here", r.points), "step", strconv.Itoa(at))
	for i := range r.roles { // switches before anything is on
		if r.roles[i].relay != nil && want[i].On != r.state[i].On {
			if err := r.turn(ctx, i, want[i].On); err != nil {
				return err
			}
		}
	}
	for n := range frames {
		for _, p := range frames[n].trail {
			if err := ctx.Err(); err != nil {
				return err
			}
			r.frames, r.place, r.ordinal = frames[:n+1], p.step.At(), p.ordinal
			r.at(r.place)
			if err := r.again(ctx, p, want, soon); err != nil {
				r.frames = frames
				return err
			}
		}
	}
	r.frames, r.place, r.ordinal = frames, place, at
	for _, feeds := range []bool{true, false} { // sources before loads
		for i := range r.roles {
			if (r.roles[i].feed != nil) == feeds && !soon[i] {
				if err := r.bring(ctx, i, want[i]); err != nil {
					return err
				}
			}
		}
	}
	return r.checkErrors(ctx)
}

// again does what a step of the way meant for where the run goes on.
func (r *runner) again(ctx context.Context, p passed, want []plan.Setting, soon map[int]bool) error {
	switch s := p.step.(type) {
	case *sequence.Settle:
		return r.settle(ctx, s)
	case *sequence.Wait:
		return r.wait(ctx, s)
	case *sequence.Rails:
		_, err := r.railsUp(ctx, s)
		return err
	case *sequence.Source:
		if want[p.role].On {
			return r.bring(ctx, p.role, want[p.role])
		}
	case *sequence.Load:
		// one that was set otherwise later comes last
		if w := want[p.role]; w.On && p.after.On && p.after.Hold == w.Hold && !soon[p.role] && r.noSource() == "" {
			return r.bring(ctx, p.role, want[p.role])
		}
	}
	return nil
}

// lookAhead finds what the steps that come first now set. A source is brought to that at once: want is changed; a load is left to its step.
func (r *runner) lookAhead(rest []sequence.Step, want []plan.Setting) (soon map[int]bool) {
	soon = map[int]bool{}
	value := func(e *expr.Expr, into *float64) bool {
		if e == nil {
			return true
		}
		if len(e.Nodes()) > 0 {
			return false
		}
		result, err := e.Eval(r)
		if err == nil {
			*into = result.Value.X
		}
		return err == nil
	}
	for _, s := range rest {
		switch s := s.(type) {
		case *sequence.Source:
			i := r.plan.RoleIndex(s.Role)
			if i < 0 {
				return soon
			}
			next := want[i]
			if !value(s.Amps, &next.Amps) || !value(s.Volts, &next.Volts) {
				return soon
			}
			next.On, next.ForceAmps = s.Output != sequence.Off, s.Force == sequence.Amps
			if s.Pulse.On.SI > 0 {
				return soon
			}
			want[i] = next
		case *sequence.Load:
			i := r.plan.RoleIndex(s.Role)
			if i < 0 {
				return soon
			}
			if s.Hold != nil || s.Input == sequence.Off {
				soon[i] = true
			}
		case *sequence.Note:
		default:
			return soon
		}
	}
	return soon
}

// bring sets a role to what it was set to, with the same checks and in the same order as a step does.
func (r *runner) bring(ctx context.Context, i int, want plan.Setting) error {
	role := &r.roles[i]
	on := sequence.On
	if !want.On {
		on = sequence.Off
	}
	pos := sequence.Pos{Place: r.place}
	switch {
	case role.feed != nil:
		force := sequence.Volts
		if want.ForceAmps {
			force = sequence.Amps
		}
		defer func(p *pulsed) { role.pulse = p }(role.pulse) // it goes on being pulsed
		return r.source(ctx, &sequence.Source{Pos: pos, Role: role.Need.Name, Force: force, Volts: constant(want.Volts, quantity.Voltage),
			Amps: constant(want.Amps, quantity.Current), Output: on})
	case role.sink != nil:
		return r.load(ctx, &sequence.Load{Pos: pos, Role: role.Need.Name, Hold: constant(want.Hold.SI, want.Hold.Dim), Input: on})
	}
	return nil
}

func constant(si float64, dim quantity.Dimension) *expr.Expr {
	if math.IsNaN(si) {
		return nil
	}
	return expr.Constant(quantity.Of(si, dim))
}
