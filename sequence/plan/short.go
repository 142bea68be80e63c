package plan

import (
	"fmt"
	"math"

	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/sequence"
)

// Short is how a short step is made on this bench.
type Short struct {
	Step *sequence.Short
	Role int
	// Own says that the load has a mode for it. Else Hold is what it is set to: its least resistance, or the largest current; a switch needs neither.
	Own  bool
	Hold quantity.Quantity
	// MostAmps is what the load takes at most meanwhile, whatever comes out of the output's capacitor; NaN: not bounded by it.
	MostAmps float64
}

// Short says how a short step is made; nil where its role is not served.
func (p *Plan) Short(s *sequence.Short) *Short {
	i := p.RoleIndex(s.Role)
	if i < 0 || p.Roles[i].Channel == (Channel{}) {
		return nil
	}
	out := &Short{Step: s, Role: i, MostAmps: math.NaN()}
	spec := p.specOf(p.Roles[i].Channel)
	if spec == nil || spec.Load == nil {
		return out
	}
	switch l := spec.Load; {
	case l.Shorts:
		out.Own, out.MostAmps = true, l.Amps.High
	case l.Ohms.Set:
		out.Hold, out.MostAmps = quantity.Of(l.Ohms.Low, quantity.Resistance), l.Amps.High
	default:
		most := l.Amps.High
		for _, span := range []quantity.Span{p.Roles[i].Need.Amps, p.Roles[i].Guard.Amps} {
			if span.Set {
				most = math.Min(most, span.High)
			}
		}
		out.Hold, out.MostAmps = quantity.Of(most, quantity.Current), most
	}
	return out
}

// Text says how, in words.
func (s *Short) Text() string {
	switch {
	case s.Own:
		return "the load's short mode"
	case s.Hold.Dim == quantity.Resistance:
		return "the load at its least resistance, " + s.Hold.String()
	case s.Hold.Dim == quantity.Current:
		return "the load at " + s.Hold.String()
	}
	return "a switch"
}

// shorts holds short steps against the device, its guard, and what feeds it.
func (c *binder) shorts() {
	said := map[string]bool{}
	newWalker(c.plan, hooks{short: func(w *walker, s *sequence.Short, _ int) {
		one := c.plan.Short(s)
		if one == nil {
			return
		}
		for _, f := range c.shortFindings(w, one) {
			if key := fmt.Sprint(s.Place, f.text); !said[key] {
				said[key] = true
				if f.grave {
					c.found.AddHint(s.Place, f.hint, "%s", f.text)
				} else {
					c.found.Warn(s.Place, f.hint, "%s", f.text)
				}
			}
		}
		if key := "note " + fmt.Sprint(s.Place); !said[key] {
			said[key] = true
			c.plan.Fit.Notes = append(c.plan.Fit.Notes, fmt.Sprintf("the short of %s (line %d) is %s", s.Role, s.Place.Line, one.Text()))
		}
	}}).run()
}

type shortFinding struct {
	grave      bool
	text, hint string
}

func (c *binder) shortFindings(w *walker, one *Short) (out []shortFinding) {
	say := func(grave bool, hint, format string, args ...any) {
		out = append(out, shortFinding{grave, fmt.Sprintf(format, args...), hint})
	}
	dev, role := c.plan.Sequence.Device, &c.plan.Roles[one.Role]
	guard := role.Guard.Amps
	if guard.Set && !math.IsNaN(one.MostAmps) && one.MostAmps > guard.High {
		say(false, "state in the guard what the device survives, a discharge of its own capacitor included", "a short lets the output's capacitor empty into %s, which takes up to %s; the guard of %s allows %s, and a sample beyond it ends the run",
			role.Need.Name, quantity.Amp(one.MostAmps), role.Need.Node, quantity.Amp(guard.High))
	}
	if role.Need.Role == sequence.RoleSwitch {
		say(false, "sample it with an ammeter between the device and the switch", "%s shorts the node itself: what a load samples at its own terminals is not the current of that short", role.Need.Name)
	}
	stated := dev != nil && dev.LimitAmps.Set && dev.Out == role.Need.Node
	if stated && guard.Set && dev.LimitAmps.High > guard.High {
		say(true, "the guard is what the device survives: it survives its own limit", "a short draws the device's limit, up to %s; the guard of %s allows %s", quantity.Amp(dev.LimitAmps.High), role.Need.Node, quantity.Amp(guard.High))
	}
	for i, r := range c.plan.Roles {
		if r.Need.Role != sequence.RoleSource || !w.state[i].On {
			continue
		}
		st := w.state[i]
		if none(st.Amps) {
			if w.inactive == 0 {
				say(true, "give its source step amps: what the input of the device may draw", "nothing limits what %s puts into the short%s", r.Need.Name, andAt(w.where()))
			}
			continue
		}
		switch {
		case dev == nil || dev.In != r.Need.Node || dev.Out != role.Need.Node || none(st.Volts) || st.Volts <= 0 || dev.OutVolts <= 0:
		case !stated:
			say(false, "give device: {current_limit: ...}", "whether %s, limited to %s, feeds the device up to its own limit is not known: nothing states that", r.Need.Name, quantity.Amp(st.Amps))
		default:
			amps, sum := limitDraw(dev, st.Volts)
			if amps > st.Amps {
				say(false, "raise its limit as far as the guard allows, or its voltage", "%s, limited to %s at %s, cannot feed the device up to its own limit: %s = %s: what is seen is then the limit of the source%s",
					r.Need.Name, quantity.Amp(st.Amps), quantity.Volt(st.Volts), sum, quantity.Of(amps, quantity.Current).Text(3), andAt(w.where()))
			}
		}
	}
	return out
}

// limitDraw is the input current with the output at its nominal voltage and the current at its limit: the most on the way into a short, and out of it.
func limitDraw(dev *sequence.Device, volts float64) (amps float64, sum string) {
	most := dev.LimitAmps.High
	if dev.Kind == sequence.Linear {
		return most, quantity.Amp(most).String()
	}
	eta := leastEfficiency(dev)
	return dev.OutVolts * most / (eta * volts), fmt.Sprintf("%s x %s / (%s x %s)", quantity.Volt(dev.OutVolts), quantity.Amp(most), quantity.Of(eta, quantity.Ratio), quantity.Volt(volts))
}

// short counts the time of a short step: what it states, and the messages around it.
func (s *stopwatch) short(w *walker, step *sequence.Short, times int) {
	if i, ok := w.roles[step.Role]; ok {
		s.add(ledger.Processing, times, shortMessages*s.timing(s.plan.Roles[i].Channel).Processing)
	}
	s.add(ledger.FixedWait, times, seconds(step.For.SI))
	s.passing(seconds(step.For.SI))
}

// shortMessages are those of a short step: on and off, each with a look at errors.
const shortMessages = 6
