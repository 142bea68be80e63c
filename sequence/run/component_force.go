package run

import (
	"context"
	"fmt"
	"math"
	"time"

	"fourwire/driver"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// Forcer is the ability of a Feeder to hold a current instead of a voltage. A *driver.Source has it.
type Forcer interface {
	ForceAmps(context.Context, quantity.Amp) error
	LimitVolts(context.Context, quantity.Volt) error // its compliance
}

// pulsed is a source that is at its level only while a reading is taken.
type pulsed struct {
	sequence.Pulse
	level float64   // V or A, by what is forced
	rest  time.Time // until when it rests; zero: it may go on at once
}

// inCompliance begins what is said of a point that shows the limit of a source and not the part.
const inCompliance = "in compliance"

// complies says that a unit was at its limit; empty where the mode is that of something else.
func (r *runner) complies(i int, mode string) string {
	role, st := &r.roles[i], r.state[i]
	switch _, able := role.feed.(Forcer); {
	case st.ForceAmps && mode == "CV":
		return fmt.Sprintf("%s %s: it holds %s and cannot force %s", role.Need.Name, inCompliance, quantity.Volt(st.Volts), quantity.Amp(st.Amps))
	case able && !st.ForceAmps && mode == "CC" && r.plan.Forces(i):
		return fmt.Sprintf("%s %s: it gives %s and cannot force %s", role.Need.Name, inCompliance, quantity.Amp(st.Amps), quantity.Volt(st.Volts))
	}
	return ""
}

// function makes a source ready for another function than the one that it has: with its output off, since the change makes a jump.
func (r *runner) function(ctx context.Context, i int, forceAmps bool) error {
	st := &r.state[i]
	if st.ForceAmps == forceAmps {
		return nil
	}
	if st.On {
		if err := r.switchOff(ctx, i); err != nil {
			return err
		}
	}
	*st = plan.NotSet()
	st.ForceAmps = forceAmps
	return nil
}

// from is what a source step begins with: what is set, and nothing where the function changes.
func (r *runner) from(i int, s *sequence.Source) plan.Setting {
	if r.state[i].ForceAmps == (s.Force == sequence.Amps) {
		return r.state[i]
	}
	return plan.NotSet()
}

// forceAmps sets a source that holds a current: its compliance before its level, both before its output goes on.
func (r *runner) forceAmps(ctx context.Context, i int, next plan.Setting) error {
	role := &r.roles[i]
	able, ok := role.feed.(Forcer)
	if !ok {
		return r.stop(Fault, "%s (%s) cannot force amps", role.Need.Name, role.Channel)
	}
	if math.IsNaN(next.Volts) || math.IsNaN(next.Amps) {
		return r.stop(Input, "%s is to force amps: both its level and its compliance must be set", role.Need.Name)
	}
	if err := r.function(ctx, i, true); err != nil {
		return err
	}
	if next.On {
		if err := r.armAhead(ctx, i, next); err != nil {
			return err
		}
	} else if err := r.switchOff(ctx, i); err != nil {
		return err
	}
	st := &r.state[i]
	if next.Volts != st.Volts {
		r.touched[role.Channel.Instrument] = true
		if err := able.LimitVolts(ctx, quantity.Volt(next.Volts)); err != nil {
			return r.of(role, err)
		}
		st.Volts = next.Volts
	}
	if next.Amps != st.Amps {
		r.touched[role.Channel.Instrument] = true
		if err := able.ForceAmps(ctx, quantity.Amp(next.Amps)); err != nil {
			return r.of(role, err)
		}
		st.Amps = next.Amps
		r.moved()
	}
	if next.On && !st.On {
		if err := r.checkInstrument(ctx, role.Channel.Instrument); err != nil {
			return r.of(role, err)
		}
		role.wasOn = true
		r.touched[role.Channel.Instrument] = true
		if err := role.feed.Output(ctx, true); err != nil {
			return r.of(role, err)
		}
		st.On = true
		r.moved()
		r.note("output", "info", fmt.Sprintf("%s on: forces %s, at most %s", role.Need.Name, quantity.Amp(next.Amps), quantity.Volt(next.Volts)))
	}
	if err := r.checkInstrument(ctx, role.Channel.Instrument); err != nil {
		return r.of(role, err)
	}
	return nil
}

// moved notes when a source was last set to something else: what a part does afterwards counts from there.
func (r *runner) moved() { r.lastMove = r.clock.Now() }

// pulse splits what a source step asks into what it is set to now and the level of its pulses.
func (r *runner) pulse(i int, s *sequence.Source, next *plan.Setting) {
	r.roles[i].pulse = nil
	if s.Pulse.On.SI <= 0 || !next.On {
		return
	}
	p := &pulsed{Pulse: s.Pulse, level: next.Volts}
	base := &next.Volts
	if next.ForceAmps {
		p.level, base = next.Amps, &next.Amps
	}
	if before := r.state[i]; before.On && before.ForceAmps == next.ForceAmps {
		p.rest = r.roles[i].rests
	}
	*base = 0
	r.roles[i].pulse = p
}

// measure reads nodes at one time, with pulsed sources at their level meanwhile.
func (r *runner) measure(ctx context.Context, s *sequence.Measure) error {
	var on []int
	for i := range r.roles {
		if r.roles[i].pulse != nil && r.state[i].On {
			on = append(on, i)
		}
	}
	if len(on) == 0 {
		err := r.reading(ctx, s)
		if w, g := r.open(), r.groups[s]; err == nil && w != nil && g != nil && !r.lastMove.IsZero() {
			one := &g.readings[0]
			w.since = (one.Start.Sub(r.lastMove) + one.End.Sub(r.lastMove)).Seconds() / 2
		}
		return err
	}
	for _, i := range on {
		if left := r.roles[i].rests.Sub(r.clock.Now()); left > 0 {
			if err := r.rest(ctx, left); err != nil {
				return err
			}
		}
	}
	begun := r.clock.Now()
	r.inPulse = true
	for _, i := range on {
		if err := r.pulseTo(ctx, i, r.roles[i].pulse.level); err != nil {
			return err
		}
	}
	err := r.reading(ctx, s)
	for k := len(on) - 1; k >= 0; k-- {
		if ctx.Err() != nil {
			break // the way out switches everything off
		}
		if down := r.pulseTo(ctx, on[k], 0); err == nil {
			err = down
		}
	}
	r.inPulse = false
	r.endPulse(on, r.clock.Since(begun))
	return err
}

// rest waits for the end of a rest.
func (r *runner) rest(ctx context.Context, d time.Duration) error {
	defer r.cfg.Spans.EnterWhole(ledger.FixedWait, "").Leave()
	return r.sleep(ctx, d)
}

// longerThan is by how much a pulse may be longer than it was meant to be before its point says so.
const longerThan = 1.5

// endPulse has the pulsed sources rest, for longer where the pulse was longer, and says how long it was.
func (r *runner) endPulse(on []int, took time.Duration) {
	for _, i := range on {
		role := &r.roles[i]
		p := role.pulse
		rest := max(p.Off.SI, took.Seconds()*p.Off.SI/p.On.SI)
		role.rests = r.clock.Now().Add(seconds(rest))
		w := r.open()
		if w == nil {
			continue
		}
		text := fmt.Sprintf("%s pulsed by the host: on for %s", role.Need.Name, quantity.Of(took.Seconds(), quantity.Time).Text(3))
		if took.Seconds() > longerThan*p.On.SI {
			text += fmt.Sprintf(" where %s were meant: reading and messages take that long; it rests for %s", p.On, quantity.Of(rest, quantity.Time).Text(3))
		}
		w.notes = append(w.notes, text)
	}
}

// pulseTo brings a pulsed source to a level, with the same order and checks as a step.
func (r *runner) pulseTo(ctx context.Context, i int, level float64) error {
	role := &r.roles[i]
	next := r.state[i]
	if next.ForceAmps {
		next.Amps = level
		return r.forceAmps(ctx, i, next)
	}
	next.Volts = level
	if err := r.armAhead(ctx, i, next); err != nil {
		return err
	}
	r.touched[role.Channel.Instrument] = true
	if err := role.feed.SetVolts(ctx, quantity.Volt(level)); err != nil {
		return r.of(role, err)
	}
	r.state[i].Volts = level
	r.moved()
	return nil
}

var _ Forcer = (*driver.Source)(nil)

// looksBack tells whether finished points are looked at again: by a summary, or by a fit among the steps.
func (r *runner) looksBack() bool { return len(r.plan.Sequence.Summary) > 0 || r.fits }

// fits tells whether some of the steps of a list is a fit.
func fits(list []sequence.Step) bool {
	for _, s := range list {
		var below []sequence.Step
		switch s := s.(type) {
		case *sequence.Fit:
			return true
		case *sequence.Sweep:
			below = s.Steps
		case *sequence.Repeat:
			below = s.Steps
		case *sequence.Record:
			below = s.Steps
		case *sequence.Rails:
			below = s.Steps
		case *sequence.When:
			if below = s.Then; fits(s.Else) {
				return true
			}
		}
		if fits(below) {
			return true
		}
	}
	return false
}
