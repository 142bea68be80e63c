package plan

import (
	"fmt"
	"math"

	"fourwire/driver/model"
	"fourwire/quantity"
)

// loadMargins measures a load against everything that is asked of it.
func (c *binder) loadMargins(spec *model.LoadSpec, r Role, asked []planned) []Margin {
	var m margins
	line := c.line(r)
	setting := func(d planned) (quantity.Quantity, model.Setting) { return d.hold, loadSetting(spec, d.hold.Dim) }
	for _, d := range asked {
		m.within("volts", d.at, d.volts, spec.Volts.High, quantity.Voltage)
		m.within("amps", d.at, d.amps, spec.Amps.High, quantity.Current)
		watts := d.volts * d.amps
		if d.hold.Dim == quantity.Power {
			watts = d.hold.SI
		} else if !none(d.watts) {
			watts = d.watts
		}
		power(&m, d.at, watts, spec.MaxWatts, spec.Volts.High*spec.Amps.High, spec.Derating, c.plan.Bench.AmbientKelvin)
		modeMargins(&m, spec, d)
		lowEnd(&m, spec, line, d)
		if r.Remote && !none(d.amps) && r.LeadOhm > 0 && spec.SenseVolts > 0 {
			line.compensation(&m, d.at, d.amps, spec.SenseVolts)
		}
		if d.hold.Dim == quantity.Current {
			overAmps(&m, r, d.at, d.hold.SI, setError(spec.SetAmps, d.hold.SI), "held")
		}
		q, s := setting(d)
		setAccuracy(&m, r.Need, s, q, d.at)
		loadSlew(&m, spec, line, r, d)
	}
	lowestProtection(&m, r, spec.OverVolts, spec.OverAmps)
	resolution(&m, asked, setting)
	return m.sorted()
}

// loadSetting is how well a level of a dimension can be set.
func loadSetting(spec *model.LoadSpec, dim quantity.Dimension) model.Setting {
	switch dim {
	case quantity.Current:
		return spec.SetAmps
	case quantity.Voltage:
		return spec.SetVolts
	case quantity.Resistance:
		return spec.SetOhms
	case quantity.Power:
		return spec.SetWatts
	}
	return model.Setting{}
}

// modeMargins: the mode that is asked must exist, and hold the level.
func modeMargins(m *margins, spec *model.LoadSpec, d planned) {
	switch d.hold.Dim {
	case quantity.Resistance:
		if !spec.Ohms.Set {
			m.add("ohms", d.at, -1, "constant resistance is asked, the load has none")
			return
		}
		if none(d.hold.SI) {
			return
		}
		m.add("ohms", d.at, math.Min(d.hold.SI/spec.Ohms.Low, spec.Ohms.High/d.hold.SI)-1, "%s of %s", d.hold, spec.Ohms)
	case quantity.Power:
		switch {
		case !spec.Watts.Set:
			m.add("watts", d.at, -1, "constant power is asked, the load has none")
		case d.hold.SI > 0 && d.hold.SI < spec.Watts.Low:
			m.add("watts", d.at, d.hold.SI/spec.Watts.Low-1, "%s asked, levels start at %s", d.hold, quantity.Watt(spec.Watts.Low))
		default:
			m.within("watts", d.at, d.hold.SI, spec.Watts.High, quantity.Power)
		}
	case quantity.Voltage:
		if !spec.ConstVolts {
			m.add("volts", d.at, -1, "constant voltage is asked, the load has none")
		}
	}
}

// lowEnd: a load's transistors need voltage to carry current. What is left behind both conductors, and then behind an
// ammeter in them, must be at least max(MinVolts, I*MinOhms); the margin is 1 - I/I_avail at that voltage.
func lowEnd(m *margins, spec *model.LoadSpec, l line, d planned) {
	if none(d.low) || none(d.amps) || d.amps <= 0 || spec.MinVolts == 0 && spec.MinOhms == 0 {
		return
	}
	left := d.low - 2*d.amps*l.leadOhm
	sum := fmt.Sprintf("%s - 2 x %s x %s = %s at the load", quantity.Volt(d.low), quantity.Amp(d.amps), quantity.Ohm(l.leadOhm), quantity.Volt(left))
	if l.leadOhm == 0 {
		sum = fmt.Sprintf("%s at the load", quantity.Volt(left))
	}
	lowEndAt(m, "minimum voltage", spec, d, left, sum)
	if burden, name := l.burden(d.amps); burden > 0 {
		left -= d.amps * burden
		lowEndAt(m, "burden", spec, d, left, fmt.Sprintf("%s - %s x (2 x %s + %s of %s) = %s at the load", quantity.Volt(d.low), quantity.Amp(d.amps), quantity.Ohm(l.leadOhm),
			quantity.Ohm(burden), name, quantity.Volt(left)))
	}
}

func lowEndAt(m *margins, kind string, spec *model.LoadSpec, d planned, left float64, sum string) {
	if left < spec.MinVolts || left <= 0 {
		part := -1.0
		if spec.MinVolts > 0 {
			part = math.Max(-1, (left-spec.MinVolts)/spec.MinVolts)
		}
		m.add(kind, d.at, part, "%s, it needs %s to carry anything", sum, quantity.Volt(spec.MinVolts))
		return
	}
	part, text := (left-spec.MinVolts)/left, fmt.Sprintf("%s of at least %s", sum, quantity.Volt(spec.MinVolts))
	if spec.MinOhms > 0 {
		available := left / spec.MinOhms
		if p := 1 - d.amps/available; p < part || spec.MinVolts == 0 {
			part, text = p, fmt.Sprintf("%s; behind %s that carries %s, %s asked", sum, quantity.Ohm(spec.MinOhms), quantity.Amp(available), quantity.Amp(d.amps))
		}
	}
	m.add(kind, d.at, part, "%s", text)
}

// loadSlew: the current through the leads can change no faster than what is left above the load's lowest voltage drives it,
// V = L di/dt. What there is is min(the load's own, (V_available - V_min)/L_loop).
func loadSlew(m *margins, spec *model.LoadSpec, l line, r Role, d planned) {
	slew := r.Need.Slew
	if slew.SI <= 0 || slew.Dim != quantity.CurrentSlew {
		return
	}
	if spec.Slew > 0 {
		m.add("slew", d.at, 1-slew.SI/spec.Slew, "%s of the load's own %s", slewText(slew.SI, slew.Dim), slewText(spec.Slew, slew.Dim))
	}
	if none(d.low) || none(d.amps) {
		return
	}
	left := d.low - l.drop(d.amps)
	least := spec.MinVoltsAt(d.amps)
	available := (left - least) / l.loopHenry
	part := -1.0
	if available > 0 {
		part = math.Max(-1, 1-slew.SI/available)
	}
	m.add("slew", d.at, part, "%s of (%s - %s) / %s = %s through the leads (%s)", slewText(slew.SI, slew.Dim), quantity.Volt(left), quantity.Volt(least),
		quantity.Of(l.loopHenry, quantity.Inductance), slewText(available, slew.Dim), l.inductance())
}
