package plan

import (
	"fourwire/quantity"
	"fourwire/sequence"
)

// lists holds list steps against what their channels can.
func (c *binder) lists() {
	complained := map[*sequence.List]bool{}
	w := newWalker(c.plan, hooks{list: func(w *walker, l *sequence.List, _ int) {
		i := c.plan.RoleIndex(l.Role)
		if i < 0 || complained[l] || c.plan.Roles[i].Channel == (Channel{}) {
			return
		}
		r := &c.plan.Roles[i]
		ch := c.channel(r.Channel)
		say := func(hint, format string, args ...any) {
			complained[l] = true
			c.found.AddHint(l.At(), hint, format, args...)
		}
		switch spec := ch.Lists; {
		case spec == nil, l.Of == sequence.Volts && !spec.Volts, l.Of == sequence.Amps && !spec.Amps:
			say("set it step by step, or take another instrument", "%s, which serves %s, runs no lists of %s", r.Channel, l.Role, l.Of.Dim().Name())
		case len(l.Levels) > spec.Steps:
			say("", "a list of %s has %d steps at most, this has %d", r.Channel, spec.Steps, len(l.Levels))
		default:
			for _, e := range l.Dwell {
				if x := w.number(e); !none(x) && (x < spec.Least.Seconds()*(1-1e-9) || spec.Most > 0 && x > spec.Most.Seconds()*(1+1e-9)) {
					say("", "a step of a list of %s lasts %s to %s, this is %s%s", r.Channel, second(spec.Least), second(spec.Most), quantity.Second(x), andAt(w.where()))
					return
				}
			}
		}
	}})
	w.run()
}

// list walks the levels of a list, each as a setting, so that they are held against the channel as settings are.
func (w *walker) list(s *sequence.List, times int) {
	i, ok := w.roles[s.Role]
	if !ok {
		return
	}
	if w.hooks.list != nil {
		w.hooks.list(w, s, times)
	}
	for _, e := range s.Levels {
		was, st := w.state[i], &w.state[i]
		if s.Of == sequence.Volts {
			st.Volts = w.number(e)
		} else if q, ok := w.quantity(e); ok {
			st.Hold = q
		}
		if w.hooks.set != nil {
			w.hooks.set(w, i, was, s.At(), 0)
		}
	}
}
