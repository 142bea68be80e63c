package plan

import (
	"math"

	"fourwire/quantity"
	"fourwire/sequence"
)

// demandOf is what the settings ask of role i now; ok is false where it is off.
func (p *Plan) demandOf(state []Setting, i int) (d demand, ok bool) {
	st, r := state[i], p.Roles[i]
	if !st.On {
		return demand{}, false
	}
	d = demand{set: math.NaN(), volts: math.NaN(), low: math.NaN(), amps: math.NaN(), watts: math.NaN()}
	if r.Need.Watts.Set {
		d.watts = widest(r.Need.Watts)
	}
	volts := p.span(sequence.Volts, r.Need.Node)
	switch r.Need.Role {
	case sequence.RoleSource:
		d.set, d.volts, d.amps = st.Volts, st.Volts, st.Amps
		if none(d.volts) {
			d.volts = stated(r.Need.Volts, volts)
		}
		if none(d.amps) {
			d.amps = stated(r.Need.Amps, p.span(sequence.Amps, r.Need.Node))
		}
		if r.Need.Amps.Set && r.Need.Amps.Low < 0 {
			d.amps = math.Copysign(d.amps, -1)
		}
		if st.ForceAmps {
			d = forcedDemand(d, st)
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
