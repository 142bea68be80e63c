package plan

import (
	"math"
	"slices"

	"fourwire/driver/model"
	"fourwire/quantity"
	"fourwire/sequence"
)

// sourceMargins measures a source against everything that is asked of it. The rectangle and the power limit are judged at
// the terminals: with remote sense the drop of both conductors, and of ammeters in them, comes on top of what the node gets.
func (c *binder) sourceMargins(spec *model.SourceSpec, r Role, asked []planned) []Margin {
	var m margins
	line := c.line(r)
	for _, d := range asked {
		terminal := d.volts
		if r.Remote && !none(d.volts) && !none(d.amps) {
			terminal += math.Copysign(line.drop(d.amps), d.volts)
		}
		sourceEnvelope(&m, spec, d, terminal, c.plan.Bench.AmbientKelvin)
		if r.Remote && !none(d.amps) {
			line.compensation(&m, d.at, d.amps, spec.SenseVolts)
		}
		overVolts(&m, spec, r, d, terminal)
		overAmps(&m, r, d.at, d.amps, setError(spec.SetAmps, d.amps), "set as the limit")
		setAccuracy(&m, r.Need, spec.SetVolts, quantity.Of(d.set, quantity.Voltage), d.at)
	}
	lowestProtection(&m, r, spec.OverVolts, spec.OverAmps)
	forcing(&m, spec, asked)
	resolution(&m, asked, func(d planned) (quantity.Quantity, model.Setting) {
		return quantity.Of(d.set, quantity.Voltage), spec.SetVolts
	})
	sourceSlew(&m, spec, r.Need)
	c.deviceMargins(&m, spec, r)
	return m.sorted()
}

// sourceEnvelope is volts, amps, watts and quadrant at one point.
func sourceEnvelope(m *margins, spec *model.SourceSpec, d planned, terminal, ambientKelvin float64) {
	bound := spec.Volts.High
	if terminal < 0 {
		bound = spec.Volts.Low
	}
	m.within("volts", d.at, terminal, bound, quantity.Voltage)
	if d.volts >= 0 && d.volts < spec.Volts.Low {
		m.add("volts", d.at, d.volts/spec.Volts.Low-1, "%s asked, it starts at %s", quantity.Volt(d.volts), quantity.Volt(spec.Volts.Low))
	}
	m.within("amps", d.at, d.amps, spec.Amps.High, quantity.Current)
	watts := math.Abs(terminal * d.amps)
	if !none(d.watts) {
		watts = d.watts
	}
	power(m, d.at, watts, spec.MaxWatts, spec.Volts.High*spec.Amps.High, spec.Derating, ambientKelvin)
	if q := quadrant(d.volts, d.amps < 0); q != 1 && !slices.Contains(spec.Quadrants, q) {
		m.add("quadrant", d.at, -1, "quadrant %d is asked (%s), it works in %v", q, quadrantWords()[q], orFirst(spec.Quadrants))
	}
}

// power is the margin of a power limit, and of what is left of it in warm surroundings. product is volts times amps, the
// limit where none is stated.
func power(m *margins, at string, watts, limit, product float64, d model.Derating, ambientKelvin float64) {
	if none(watts) {
		return
	}
	if limit > 0 {
		m.within("watts", at, watts, limit, quantity.Power)
	} else {
		limit = product
	}
	if share := d.Share(ambientKelvin); share < 1 {
		left := limit * share
		part := -1.0
		if left > 0 {
			part = 1 - watts/left
		}
		m.add("derating", at, part, "%s of %s: at %s, %.3g K above %s, %s loses %.3g x %s", quantity.Watt(watts), quantity.Watt(left),
			quantity.Of(ambientKelvin, quantity.Temperature), ambientKelvin-d.AboveKelvin, quantity.Of(d.AboveKelvin, quantity.Temperature),
			quantity.Watt(limit), ambientKelvin-d.AboveKelvin, quantity.Of(d.PerKelvin, quantity.Ratio))
	}
}

func orFirst(q []int) []int {
	if len(q) == 0 {
		return []int{1}
	}
	return q
}

func quadrantWords() [5]string {
	return [...]string{"", "delivers", "takes in at positive voltage", "delivers at negative voltage", "takes in at negative voltage"}
}

// quadrant of an operating point: 1 delivers at positive voltage, 2 takes in there, 3 delivers at negative voltage, 4 takes
// in there.
func quadrant(volts float64, sinks bool) int {
	switch {
	case volts < 0 && sinks:
		return 4
	case volts < 0:
		return 3
	case sinks:
		return 2
	}
	return 1
}

// overVolts: what is set, with the error of the setting, must stay below the over-voltage protection where that looks.
func overVolts(m *margins, spec *model.SourceSpec, r Role, d planned, terminal float64) {
	seen, where := d.volts, "at the node"
	if spec.OverVoltsAt == "terminals" {
		seen, where = terminal, "at the terminals"
	}
	if r.OverVolts <= 0 || none(seen) {
		return
	}
	most := math.Abs(seen) + setError(spec.SetVolts, d.volts)
	m.enough("protection", d.at, 1-most/float64(r.OverVolts), "%s %s, error of the setting included, of over-voltage protection at %s", quantity.Of(most, quantity.Voltage).Text(5), where, r.OverVolts)
}

// overAmps: likewise for the current.
func overAmps(m *margins, r Role, at string, amps, setError float64, what string) {
	if r.OverAmps <= 0 || none(amps) {
		return
	}
	if most := math.Abs(amps) + setError; most > float64(r.OverAmps)*(1+1e-9) {
		m.enough("protection", at, 1-most/float64(r.OverAmps), "%s %s, error of the setting included, of over-current protection at %s", quantity.Of(most, quantity.Current).Text(5), what, r.OverAmps)
	}
}

// lowestProtection: a guard below the lowest level of protection cannot be set.
func lowestProtection(m *margins, r Role, volts, amps quantity.Span) {
	if volts.Set && r.OverVolts > 0 && float64(r.OverVolts) < volts.Low {
		m.add("protection", "", float64(r.OverVolts)/volts.Low-1, "the guard wants over-voltage protection at %s, it starts at %s", r.OverVolts, quantity.Volt(volts.Low))
	}
	if amps.Set && r.OverAmps > 0 && float64(r.OverAmps) < amps.Low {
		m.add("protection", "", float64(r.OverAmps)/amps.Low-1, "the guard wants over-current protection at %s, it starts at %s", r.OverAmps, quantity.Amp(amps.Low))
	}
}

// setError is how far a setting may be off.
func setError(s model.Setting, x float64) float64 {
	if none(x) {
		return 0
	}
	return s.Gain*math.Abs(x) + s.Offset
}

// setAccuracy: at small settings the offset counts. A need says how well it must be set.
func setAccuracy(m *margins, n sequence.Need, s model.Setting, set quantity.Quantity, at string) {
	if n.Accuracy <= 0 || none(set.SI) || set.SI == 0 || s == (model.Setting{}) {
		return
	}
	share := setError(s, set.SI) / math.Abs(set.SI)
	m.enough("accuracy", at, 1-share/n.Accuracy, "(%s x %s + %s) / %s = %s, %s is wanted", quantity.Of(s.Gain, quantity.Ratio), set,
		quantity.Of(s.Offset, set.Dim), set, quantity.Of(share, quantity.Ratio).Text(3), quantity.Of(n.Accuracy, quantity.Ratio))
}

// stepsPerIncrement: a setting needs ten steps for the smallest planned increment; common practice.
const stepsPerIncrement = 10

// resolution compares the step of a setting with the smallest increment between the values that are planned.
func resolution(m *margins, asked []planned, setting func(planned) (quantity.Quantity, model.Setting)) {
	type value struct {
		x  float64
		at string
	}
	byDim := map[quantity.Dimension][]value{}
	var dims []quantity.Dimension
	specs := map[quantity.Dimension]model.Setting{}
	for _, d := range asked {
		q, s := setting(d)
		if none(q.SI) || s.Resolution <= 0 {
			continue
		}
		if _, ok := byDim[q.Dim]; !ok {
			dims = append(dims, q.Dim)
		}
		byDim[q.Dim], specs[q.Dim] = append(byDim[q.Dim], value{q.SI, d.at}), s
	}
	for _, dim := range dims {
		values := byDim[dim]
		slices.SortStableFunc(values, func(a, b value) int {
			switch {
			case a.x < b.x:
				return -1
			case a.x > b.x:
				return 1
			}
			return 0
		})
		smallest, at := math.Inf(1), ""
		for i := 1; i < len(values); i++ {
			if step := values[i].x - values[i-1].x; step > 1e-9*math.Abs(values[i].x) && step < smallest {
				smallest, at = step, values[i].at
			}
		}
		if math.IsInf(smallest, 1) {
			continue
		}
		step := specs[dim].Resolution
		m.enough("resolution", at, 1-step*stepsPerIncrement/smallest, "settings step by %s; the smallest planned increment is %s, a tenth of it %s", quantity.Of(step, dim),
			quantity.Of(smallest, dim).Text(4), quantity.Of(smallest/stepsPerIncrement, dim).Text(4))
	}
}

func sourceSlew(m *margins, spec *model.SourceSpec, n sequence.Need) {
	if n.Slew.SI <= 0 {
		return
	}
	for _, s := range []struct {
		slew float64
		way  string
	}{{spec.SlewUp, "up"}, {spec.SlewDown, "down"}} {
		if s.slew > 0 {
			m.add("slew", "", 1-n.Slew.SI/s.slew, "%s of %s on the way %s", slewText(n.Slew.SI, n.Slew.Dim), slewText(s.slew, n.Slew.Dim), s.way)
		}
	}
}
