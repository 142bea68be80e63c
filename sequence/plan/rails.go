package plan

import (
	"fmt"
	"strings"
	"time"

	"fourwire/internal/diag"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/sequence"
)

// RailsWatch is how the rails of a group are looked after.
type RailsWatch struct {
	Every time.Duration // from one look at all of them to the next
	Worst time.Duration // from a fault of one until all are off, by the models, at most
	Blind time.Duration // of that, the longest reading in which nobody looks
}

// What an exchange costs beside the processing of the instrument: own choice, what a network in one room takes with some to spare.
const exchange = time.Millisecond

// How many messages a look at a rail costs, and switching it off with a look whether it is.
const (
	lookMessages = 2
	offMessages  = switchMessages + lookMessages
	leastWatch   = 2 * time.Millisecond
)

// Watch works out how often the rails of a group are looked at, so that all of them are off in time.
func (p *Plan) Watch(s *sequence.Rails) RailsWatch {
	look, off := time.Duration(0), time.Duration(0)
	for i := range p.Roles {
		r := &p.Roles[i]
		one := exchange
		if m := p.models[r.Channel.Instrument]; m != nil {
			one += m.Timing.Processing
		}
		for _, rail := range s.Up {
			if rail.Role == r.Need.Name {
				look, off = look+lookMessages*one, off+offMessages*one
			}
		}
		if r.Need.Role == sequence.RoleLoad { // loads go off first
			off += offMessages * one
		}
	}
	limit := seconds(s.AllOff.SI)
	w := RailsWatch{Every: max(leastWatch, min(limit/4, (limit-off-look)/2))}
	eachStep(s.Steps, func(step sequence.Step) {
		if m, ok := step.(*sequence.Measure); ok {
			w.Blind = max(w.Blind, apertureOf(m))
		}
	})
	w.Worst = max(w.Every, w.Blind) + look + off
	return w
}

// GroupRails finds the rails step in which a group comes up; nil where there is none.
func (p *Plan) GroupRails(name string) *sequence.Rails {
	var out *sequence.Rails
	eachStep(p.Sequence.Steps, func(s sequence.Step) {
		if one, ok := s.(*sequence.Rails); ok && one.Name == name && len(one.Up) > 0 {
			out = one
		}
	})
	return out
}

// rails says how groups of rails are looked after, and what cannot be.
func (c *binder) rails() {
	captured := map[*sequence.Rails]*sequence.Capture{}
	eachStep(c.plan.Sequence.Steps, func(s sequence.Step) {
		capture, ok := s.(*sequence.Capture)
		if !ok {
			return
		}
		eachStep(capture.Steps, func(inner sequence.Step) {
			if one, ok := inner.(*sequence.Rails); ok {
				captured[one] = capture
			}
		})
	})
	eachStep(c.plan.Sequence.Steps, func(s sequence.Step) {
		one, ok := s.(*sequence.Rails)
		if !ok || len(one.Up) == 0 {
			return
		}
		w := c.plan.Watch(one)
		limit := seconds(one.AllOff.SI)
		text := fmt.Sprintf("rails %s: each is looked at every %s; from a fault of one until all are off it takes up to %s, %s is allowed", one.Name, second(w.Every), quantity.Of(w.Worst.Seconds(), quantity.Time).Text(2), one.AllOff)
		if w.Worst > limit {
			hint := "allow more, use instruments that answer faster, or have their protection switch one another off"
			if w.Blind > w.Every {
				hint = "take shorter readings while the rails are up, or allow more"
				text += fmt.Sprintf(" (nobody looks during a reading of %s)", second(w.Blind))
			}
			c.found.Warn(one.At(), hint, "%s", text)
		} else {
			c.plan.Fit.Notes = append(c.plan.Fit.Notes, text)
		}
		if capture := captured[one]; capture != nil {
			c.capturedRails(one, capture)
		} else {
			c.plan.Fit.Notes = append(c.plan.Fit.Notes, fmt.Sprintf("rails %s: in which order and how far apart they come up is known from readings alone; put the step into a capture of their voltages where it matters", one.Name))
		}
	})
}

// capturedRails refuses conditions that read a channel which captures meanwhile.
func (c *binder) capturedRails(s *sequence.Rails, capture *sequence.Capture) {
	plan := c.plan.Capture(capture)
	if plan == nil {
		return
	}
	for _, rail := range s.Up {
		if rail.Until == nil {
			continue
		}
		for _, n := range rail.Until.Nodes() {
			k := c.plan.GaugeIndex(sequence.Function(n.Function), n.Node)
			for _, p := range plan.Parts {
				if k >= 0 && p.Channel == c.plan.Gauges[k].Channel {
					c.found.AddHint(rail.Place, "leave until out, give then, and read from the capture when each was good", "%s(%s) is read by %s, which captures %s meanwhile and takes no readings besides", n.Function, n.Node, p.Channel, capture.Trace)
				}
			}
		}
	}
}

// rails walks a group: one source after the other, the steps, and all off in reverse.
func (w *walker) rails(s *sequence.Rails, times int) {
	if len(s.Up) == 0 {
		if up := w.of.GroupRails(s.Name); up != nil {
			w.railsDown(up, s.At(), times)
		}
		return
	}
	for _, rail := range s.Up {
		w.source(&sequence.Source{Pos: sequence.Pos{Place: rail.Place}, Role: rail.Role, Force: sequence.Volts, Volts: rail.Volts, Amps: rail.Amps, Output: sequence.On}, times)
	}
	if w.hooks.rails != nil {
		w.hooks.rails(w, s, times)
	}
	w.given(s.Gives)
	w.steps(s.Steps, times)
	if s.HasSteps() {
		w.railsDown(s, s.At(), times)
	}
}

func (w *walker) railsDown(s *sequence.Rails, at diag.Place, times int) {
	for k := len(s.Up) - 1; k >= 0; k-- {
		i, ok := w.roles[s.Up[k].Role]
		if !ok {
			continue
		}
		was := w.state[i]
		w.state[i].On = false
		if w.hooks.set != nil && was.On {
			w.hooks.set(w, i, was, at, times)
		}
	}
}

// railReadings is how many readings it takes to see that a rail is good: its rise is seen by the second or third.
const railReadings = 3

// rails counts what a group waits for on its way up and down.
func (s *stopwatch) rails(w *walker, r *sequence.Rails, times int) {
	for _, rail := range r.Up {
		s.add(ledger.FixedWait, times, seconds(rail.Ramp.SI)+seconds(rail.Then.SI))
		if rail.Until == nil {
			continue
		}
		for _, n := range rail.Until.Nodes() {
			if k := s.plan.GaugeIndex(sequence.Function(n.Function), n.Node); k >= 0 {
				t := s.timing(s.plan.Gauges[k].Channel)
				s.add(ledger.Settle, times, railReadings*(time.Millisecond+t.Reading+readMessages*t.Processing))
			}
		}
	}
	if r.HasSteps() {
		s.add(ledger.FixedWait, times*(len(r.Up)-1), seconds(r.Down.SI))
	}
}

// RailsText is the order of a group: "io, core, memory".
func RailsText(s *sequence.Rails) string {
	var names []string
	for _, rail := range s.Up {
		names = append(names, rail.Role)
	}
	return strings.Join(names, ", ")
}
