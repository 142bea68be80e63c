package plan

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"fourwire/driver/model"
	"fourwire/quantity"
	"fourwire/sequence"
)

// demand is what one planned point asks of a role.
type demand struct {
	volts float64           // of a source: set; of a load: highest at its node; NaN: not known
	low   float64           // of a load: lowest at its node; NaN: not known
	amps  float64           // of a source: its current limit; of a load: what it carries; NaN: not known
	watts float64           // NaN: volts times amps
	hold  quantity.Quantity // of a load
}

type planned struct {
	demand
	at string // coordinates of the first point that asks it
}

// margins collects the smallest margin of each kind.
type margins struct{ list []Margin }

func (m *margins) add(kind, at string, part float64, format string, args ...any) {
	for i := range m.list {
		if m.list[i].Kind != kind {
			continue
		}
		if part < m.list[i].Part {
			m.list[i] = Margin{kind, part, fmt.Sprintf(format, args...), at}
		}
		return
	}
	m.list = append(m.list, Margin{kind, part, fmt.Sprintf(format, args...), at})
}

// within adds 1 - asked/available, in words. Values that are not known are left out.
func (m *margins) within(kind, at string, asked, available float64, dim quantity.Dimension) {
	if math.IsNaN(asked) || math.IsNaN(available) || math.IsInf(available, 0) {
		return
	}
	part := 1 - math.Abs(asked)/math.Abs(available)
	if available == 0 {
		part = -math.Abs(asked)
	}
	m.add(kind, at, part, "%s of %s", quantity.Of(asked, dim), quantity.Of(available, dim))
}

func (m *margins) sorted() []Margin {
	sort.SliceStable(m.list, func(i, j int) bool { return m.list[i].Part < m.list[j].Part })
	return m.list
}

func none(x float64) bool { return math.IsNaN(x) }

// sourceMargins measures a source against everything that is asked of it. The rectangle and the power limit are judged at
// the terminals: with remote sense the drop of both conductors comes on top of what the node gets.
func sourceMargins(spec *model.SourceSpec, r Role, asked []planned) []Margin {
	var m margins
	for _, d := range asked {
		terminal, sinks := d.volts, d.amps < 0
		if r.Remote && !none(d.volts) && !none(d.amps) {
			terminal += math.Copysign(2*math.Abs(d.amps)*r.LeadOhm, d.volts)
		}
		bound := spec.Volts.High
		if terminal < 0 {
			bound = spec.Volts.Low
		}
		m.within("volts", d.at, terminal, bound, quantity.Voltage)
		if d.volts >= 0 && d.volts < spec.Volts.Low {
			m.add("volts", d.at, d.volts/spec.Volts.Low-1, "%s asked, it starts at %s", quantity.Volt(d.volts), quantity.Volt(spec.Volts.Low))
		}
		m.within("amps", d.at, d.amps, spec.Amps.High, quantity.Current)
		if spec.MaxWatts > 0 {
			watts := terminal * d.amps
			if !none(d.watts) {
				watts = d.watts
			}
			m.within("watts", d.at, watts, spec.MaxWatts, quantity.Power)
		}
		if q := quadrant(d.volts, sinks); q != 1 && !slices.Contains(spec.Quadrants, q) {
			m.add("quadrant", d.at, -1, "quadrant %d is asked (%s), it works in %v", q, quadrantWords[q], orFirst(spec.Quadrants))
		}
		if r.Remote && !none(d.amps) {
			senseMargin(&m, d.at, d.amps, r.LeadOhm, spec.SenseVolts)
		}
		if r.OverVolts > 0 && spec.OverVoltsAt == "terminals" && terminal > float64(r.OverVolts) {
			m.add("protection", d.at, 1-terminal/float64(r.OverVolts), "%s at the terminals would trip the over-voltage protection at %s", quantity.Volt(terminal), r.OverVolts)
		}
	}
	if low := spec.OverVolts; low.Set && r.OverVolts > 0 && float64(r.OverVolts) < low.Low {
		m.add("protection", "", float64(r.OverVolts)/low.Low-1, "the guard wants over-voltage protection at %s, it starts at %s", r.OverVolts, quantity.Volt(low.Low))
	}
	return m.sorted()
}

func orFirst(q []int) []int {
	if len(q) == 0 {
		return []int{1}
	}
	return q
}

var quadrantWords = [...]string{"", "delivers", "takes in at positive voltage", "delivers at negative voltage", "takes in at negative voltage"}

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

// senseMargin: remote sense makes up for so much drop in each conductor.
func senseMargin(m *margins, at string, amps, leadOhm, compensates float64) {
	drop := math.Abs(amps) * leadOhm
	switch {
	case drop == 0 && compensates == 0:
		m.add("sense", at, -1, "remote sense is wired, the channel has none")
	case compensates == 0:
		m.add("sense", at, -1, "remote sense is wired, the channel has none: %s x %s = %s of each conductor", quantity.Amp(amps), quantity.Ohm(leadOhm), quantity.Volt(drop))
	default:
		m.add("sense", at, 1-drop/compensates, "%s x %s = %s of %s in each conductor", quantity.Amp(amps), quantity.Ohm(leadOhm), quantity.Volt(drop), quantity.Volt(compensates))
	}
}

// loadMargins measures a load against everything that is asked of it.
func loadMargins(spec *model.LoadSpec, r Role, asked []planned) []Margin {
	var m margins
	for _, d := range asked {
		m.within("volts", d.at, d.volts, spec.Volts.High, quantity.Voltage)
		m.within("amps", d.at, d.amps, spec.Amps.High, quantity.Current)
		if spec.MaxWatts > 0 {
			watts := d.volts * d.amps
			if d.hold.Dim == quantity.Power {
				watts = d.hold.SI
			} else if !none(d.watts) {
				watts = d.watts
			}
			m.within("watts", d.at, watts, spec.MaxWatts, quantity.Power)
		}
		modeMargins(&m, spec, d)
		lowEndMargin(&m, spec, r, d)
		if r.Remote && !none(d.amps) && r.LeadOhm > 0 && spec.SenseVolts > 0 {
			senseMargin(&m, d.at, d.amps, r.LeadOhm, spec.SenseVolts)
		}
	}
	return m.sorted()
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
		if !spec.Watts.Set {
			m.add("watts", d.at, -1, "constant power is asked, the load has none")
		}
	case quantity.Voltage:
		if !spec.ConstVolts {
			m.add("volts", d.at, -1, "constant voltage is asked, the load has none")
		}
	}
}

// lowEndMargin: a load's transistors need voltage to carry current. What is left behind both conductors must be at least
// max(MinVolts, I*MinOhms); the margin is 1 - I/I_avail at that voltage.
func lowEndMargin(m *margins, spec *model.LoadSpec, r Role, d planned) {
	if none(d.low) || none(d.amps) || d.amps <= 0 || spec.MinVolts == 0 && spec.MinOhms == 0 {
		return
	}
	left := d.low - 2*d.amps*r.LeadOhm
	sum := fmt.Sprintf("%s - 2 x %s x %s = %s at the load", quantity.Volt(d.low), quantity.Amp(d.amps), quantity.Ohm(r.LeadOhm), quantity.Volt(left))
	if r.LeadOhm == 0 {
		sum = fmt.Sprintf("%s at the load", quantity.Volt(left))
	}
	if left < spec.MinVolts || left <= 0 {
		part := -1.0
		if spec.MinVolts > 0 {
			part = math.Max(-1, (left-spec.MinVolts)/spec.MinVolts)
		}
		m.add("minimum voltage", d.at, part, "%s, it needs %s to carry anything", sum, quantity.Volt(spec.MinVolts))
		return
	}
	part, text := (left-spec.MinVolts)/left, fmt.Sprintf("%s of at least %s", sum, quantity.Volt(spec.MinVolts))
	if spec.MinOhms > 0 {
		available := left / spec.MinOhms
		if p := 1 - d.amps/available; p < part || spec.MinVolts == 0 {
			part, text = p, fmt.Sprintf("%s; behind %s that carries %s, %s asked", sum, quantity.Ohm(spec.MinOhms), quantity.Amp(available), quantity.Amp(d.amps))
		}
	}
	m.add("minimum voltage", d.at, part, "%s", text)
}

// demandOf is what the settings ask of role i now; ok is false where it is off.
func (p *Plan) demandOf(state []Setting, i int) (d demand, ok bool) {
	st, r := state[i], p.Roles[i]
	if !st.On {
		return demand{}, false
	}
	d = demand{volts: math.NaN(), low: math.NaN(), amps: math.NaN(), watts: math.NaN()}
	if r.Need.Watts.Set {
		d.watts = widest(r.Need.Watts)
	}
	volts := p.span(sequence.Volts, r.Need.Node)
	switch r.Need.Role {
	case sequence.RoleSource:
		d.volts, d.amps = st.Volts, st.Amps
		if none(d.volts) {
			d.volts = stated(r.Need.Volts, volts)
		}
		if none(d.amps) {
			d.amps = stated(r.Need.Amps, p.span(sequence.Amps, r.Need.Node))
		}
		if r.Need.Amps.Set && r.Need.Amps.Low < 0 {
			d.amps = math.Copysign(d.amps, -1)
		}
	case sequence.RoleLoad:
		d.hold = st.Hold
		d.volts, d.low = widest(volts), lowest(r.Need)
		d.amps = p.loadAmps(state, i)
		if st.Hold.Dim == quantity.Voltage {
			d.volts, d.low = st.Hold.SI, st.Hold.SI
		}
		if none(d.amps) {
			d.amps = stated(r.Need.Amps, p.span(sequence.Amps, r.Need.Node))
		}
	}
	return d, true
}

// stated is the far end of what the need says, else of the other span.
func stated(need, other quantity.Span) float64 {
	if x := widest(need); !none(x) && !math.IsInf(x, 0) {
		return x
	}
	return widest(other)
}

// lowest is the voltage at which a load must still carry its current; NaN where the need does not say.
func lowest(n sequence.Need) float64 {
	for _, s := range []quantity.Span{n.AtVolts, n.Volts} {
		if s.Set && !math.IsInf(s.Low, 0) {
			return s.Low
		}
	}
	return math.NaN()
}
