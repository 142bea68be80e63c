package plan

import (
	"fmt"
	"math"

	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence"
)

// startReserve is what a current limit needs above the draw of a converter, which a limit that is reached makes worse; common
// practice.
const startReserve = 1.2

// draw is what the device takes from one source at one planned moment.
type draw struct {
	volts, limit float64 // of the source; limit NaN: none was set
	watts, amps  float64 // that the loads take from the device
	starting     bool    // the source comes up through the device's lock-out now
	at           string
}

// bestEfficiency and leastEfficiency are the ends of what is expected; a guess where the device says nothing.
func leastEfficiency(d *sequence.Device) float64 {
	if d == nil || !d.Efficiency.Set {
		return guessedEfficiency
	}
	return d.Efficiency.Low
}

func likelyEfficiency(d *sequence.Device) float64 {
	if d == nil || !d.Efficiency.Set {
		return guessedEfficiency
	}
	return (d.Efficiency.Low + d.Efficiency.High) / 2
}

// lockOut is the voltage below which the device lets go; 0 where it is not stated.
func lockOut(d *sequence.Device) float64 {
	if d.StopsVolts > 0 {
		return d.StopsVolts
	}
	return d.StartsVolts
}

// draws walks the sequence and lists what the device takes from source i.
func (c *binder) draws(i int) []draw {
	dev := c.plan.Sequence.Device
	var out []draw
	seen := map[draw]bool{}
	w := newWalker(c.plan, hooks{set: func(w *walker, role int, was Setting, _ diag.Place, _ int) {
		st := w.state[i]
		if !st.On || none(st.Volts) {
			return
		}
		d := draw{volts: st.Volts, limit: st.Amps}
		d.watts, d.amps = c.plan.taken(w.state)
		d.starting = role == i && (!was.On || was.Volts < dev.StartsVolts) && st.Volts >= dev.StartsVolts
		if st.Volts < lockOut(dev) || none(d.watts) {
			d.watts, d.amps = 0, 0
		}
		key := d
		if none(key.limit) {
			key.limit = -1
		}
		if !seen[key] {
			seen[key] = true
			d.at = w.where()
			out = append(out, d)
		}
	}})
	w.run()
	return out
}

// taken is what the loads at the output of the device take, at its nominal voltage.
func (p *Plan) taken(state []Setting) (watts, amps float64) {
	dev := p.Sequence.Device
	for k, r := range p.Roles {
		if r.Need.Role != sequence.RoleLoad || r.Need.Node != dev.Out || !state[k].On {
			continue
		}
		a := 0.0
		switch hold := state[k].Hold; hold.Dim {
		case quantity.Current:
			a = hold.SI
		case quantity.Power:
			a = hold.SI / dev.OutVolts
		case quantity.Resistance:
			a = dev.OutVolts / hold.SI
		default:
			a = widest(r.Need.Amps)
		}
		amps += a
		watts += a * dev.OutVolts
	}
	if most := dev.LimitAmps.High; dev.LimitAmps.Set && amps > most { // it gives no more, whatever is asked
		amps, watts = most, most*dev.OutVolts
	}
	return watts, amps
}

// deviceMargins holds the current limit of a source against what the device at its node takes.
func (c *binder) deviceMargins(m *margins, spec *model.SourceSpec, r Role) {
	dev := c.plan.Sequence.Device
	if dev == nil || dev.In != r.Need.Node || dev.OutVolts <= 0 {
		return
	}
	slew := r.Need.Slew.SI
	if slew <= 0 {
		slew = spec.SlewUp
	}
	for _, d := range c.draws(c.plan.RoleIndex(r.Need.Name)) {
		limit := d.limit
		if none(limit) {
			limit = float64(r.Limit)
		}
		if limit <= 0 {
			continue
		}
		if d.watts > 0 {
			amps, text := drawn(dev, d, d.volts)
			m.enough("current limit", d.at, 1-amps/limit, "%s = %s of %s", text, quantity.Of(amps, quantity.Current).Text(4), quantity.Amp(limit))
		}
		if low := lockOut(dev); d.starting && low > 0 {
			amps, text := 0.0, ""
			if d.watts > 0 {
				amps, text = drawn(dev, d, low)
			}
			if dev.InFarads > 0 && slew > 0 {
				amps += dev.InFarads * slew
				if text != "" {
					text += " + "
				}
				text += fmt.Sprintf("%s x %s", quantity.Of(dev.InFarads, quantity.Capacitance), slewText(slew, quantity.VoltageSlew))
			}
			if text != "" {
				m.enough("start-up", d.at, 1-amps/limit, "%s = %s of %s when the device starts", text, quantity.Of(amps, quantity.Current).Text(4), quantity.Amp(limit))
			}
		}
	}
}

// drawn is the input current at an input voltage, with the reserve, and its arithmetic: 1.2 P/(efficiency V).
func drawn(dev *sequence.Device, d draw, volts float64) (amps float64, text string) {
	if dev.Kind == sequence.Linear {
		return startReserve * d.amps, fmt.Sprintf("%g x %s", startReserve, quantity.Amp(d.amps))
	}
	eta := leastEfficiency(dev)
	return startReserve * d.watts / (eta * volts), fmt.Sprintf("%g x %s / (%s x %s)", startReserve, quantity.Watt(d.watts), quantity.Of(eta, quantity.Ratio), quantity.Volt(volts))
}

// deviceNotes says what the device will do to a bound source: whether it can come up again under load, and whether the leads
// and its negative input resistance make an oscillator.
func (c *binder) deviceNotes(i int) {
	dev, r := c.plan.Sequence.Device, c.plan.Roles[i]
	if dev == nil || dev.Kind != sequence.Converter || dev.In != r.Need.Node || dev.OutVolts <= 0 || r.Need.Role != sequence.RoleSource {
		return
	}
	var worst, heaviest draw
	least := math.Inf(1)
	for _, d := range c.draws(i) {
		if d.watts <= 0 {
			continue
		}
		if ohm := d.volts * d.volts * leastEfficiency(dev) / d.watts; ohm < least {
			least, worst = ohm, d
		}
		if d.watts > heaviest.watts {
			heaviest = d
		}
	}
	if heaviest.watts > 0 {
		c.restart(dev, r, heaviest)
	}
	if !math.IsInf(least, 1) {
		c.impedance(dev, r, worst, least)
	}
}

func (c *binder) restart(dev *sequence.Device, r Role, d draw) {
	low, limit := lockOut(dev), d.limit
	if none(limit) {
		limit = float64(r.Limit)
	}
	if low <= 0 || limit <= 0 {
		return
	}
	if amps, text := drawn(dev, d, low); amps > limit {
		c.plan.Fit.Notes = append(c.plan.Fit.Notes, fmt.Sprintf("under load the device would ask %s = %s as it comes up at %s; the limit is %s: should the source ever reach it, take the load off, then start again",
			text, quantity.Of(amps, quantity.Current).Text(3), quantity.Volt(low), quantity.Amp(limit)))
	}
}

// impedance warns of a source whose leads oscillate with the negative input resistance of the converter, Rn = -V^2/P. A series
// R-L that feeds C in parallel with -|Rn| is stable where L/(C |Rn|) < R < |Rn| (the denominator of its transfer function has
// positive coefficients only then). Magnitudes alone are sufficient, not necessary: a warning, no refusal.
func (c *binder) impedance(dev *sequence.Device, r Role, d draw, negativeOhm float64) {
	if dev.InFarads <= 0 {
		return
	}
	l := c.line(r)
	burden, _ := l.burden(d.watts / (leastEfficiency(dev) * d.volts))
	series := 2*l.leadOhm + burden
	least := l.loopHenry / (dev.InFarads * negativeOhm)
	sum := fmt.Sprintf("%s / (%s x %s) = %s", quantity.Of(l.loopHenry, quantity.Inductance), quantity.Of(dev.InFarads, quantity.Capacitance),
		quantity.Of(negativeOhm, quantity.Resistance).Text(3), quantity.Of(least, quantity.Resistance).Text(3))
	place := r.Need.Place
	switch {
	case series <= least:
		c.found.Warn(place, fmt.Sprintf("shorten the leads, or put a capacitor of %s to %s with about %s of series resistance at the input",
			quantity.Of(3*dev.InFarads, quantity.Capacitance).Text(2), quantity.Of(5*dev.InFarads, quantity.Capacitance).Text(2),
			quantity.Of(math.Sqrt(l.loopHenry/dev.InFarads), quantity.Resistance).Text(2)),
			"the leads of %s may oscillate with the input of the converter: at %s its input resistance is -(%s)^2 x %s / %s = -%s; %s is more than the %s in series (%s)",
			r.Need.Name, quantity.Volt(d.volts), quantity.Volt(d.volts), quantity.Of(leastEfficiency(dev), quantity.Ratio), quantity.Watt(d.watts),
			quantity.Of(negativeOhm, quantity.Resistance).Text(3), sum, quantity.Of(series, quantity.Resistance).Text(3), l.inductance())
	case series >= negativeOhm:
		c.found.Warn(place, "use thicker leads or sense at the node", "the leads of %s have %s, more than the converter's input resistance, %s at %s: there is no stable point",
			r.Need.Name, quantity.Of(series, quantity.Resistance).Text(3), quantity.Of(negativeOhm, quantity.Resistance).Text(3), quantity.Volt(d.volts))
	}
}
