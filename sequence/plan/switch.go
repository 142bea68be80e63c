package plan

import (
	"fmt"

	"fourwire/internal/diag"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/sequence"
)

// switchMargins holds a switch against what may stand across it and flow through it: its need, and the guard of its node.
func switchMargins(c *binder, r Role) ([]Margin, string) {
	ch := c.channel(r.Channel)
	if ch.Relay == nil {
		return nil, "its model says that the channel is no switch"
	}
	var m margins
	volts, amps := farEnd(r.Guard.Volts, r.Need.Volts), farEnd(r.Guard.Amps, r.Need.Amps)
	if volts > 0 {
		m.within("volts", "", volts, ch.Relay.Volts.High, quantity.Voltage)
	}
	if amps > 0 {
		m.within("amps", "", amps, ch.Relay.Amps.High, quantity.Current)
	}
	return m.sorted(), ""
}

// switching walks a switch step; what it is set to is no setting of a source or load.
func (w *walker) switching(s *sequence.Switching, times int) {
	i, ok := w.roles[s.Role]
	if !ok {
		return
	}
	changes := w.state[i].On != (s.To == sequence.On)
	if w.hooks.switching != nil && changes {
		w.hooks.switching(w, s, times)
	}
	w.state[i].On = s.To == sequence.On
}

// hotSwitches refuses a switch that would move while a source is on.
func (c *binder) hotSwitches() {
	complained := map[diag.Place]bool{}
	newWalker(c.plan, hooks{switching: func(w *walker, s *sequence.Switching, _ int) {
		if s.Hot || w.inactive > 0 || complained[s.Place] {
			return
		}
		for i, r := range c.plan.Roles {
			if r.Need.Role == sequence.RoleSource && w.state[i].On {
				complained[s.Place] = true
				c.found.AddHint(s.Place, "switch the source off before, or say hot: yes where the switch is made for it", "%s would move while source %s is on%s", s.Role, r.Need.Name, andAt(w.where()))
				return
			}
		}
	}}).run()
}

// switching counts the time that a switch takes.
func (s *stopwatch) switching(w *walker, step *sequence.Switching, times int) {
	i := w.roles[step.Role]
	ch := s.plan.Roles[i].Channel
	s.add(ledger.Processing, times, switchMessages*s.timing(ch).Processing)
	if spec := s.channel(ch); spec != nil && spec.Relay != nil {
		s.add(ledger.Settle, times, spec.Relay.Moves)
	}
}

// SwitchText is a switch in words: "aux (fixture.2)".
func (r Role) SwitchText() string { return fmt.Sprintf("%s (%s)", r.Need.Name, r.Channel) }
