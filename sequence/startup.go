package sequence

import (
	"fmt"
	"math"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence/expr"
)

// asked is what is known of a setpoint before the run.
type asked struct {
	dim   quantity.Dimension
	least float64 // SI, of the values that are known; +Inf where none is
	first float64 // the one that comes first in the run; NaN where none is known
}

// lightShare is the part of the most current that a sequence asks of a load at which a device still starts; common practice, no source.
const lightShare = 0.1

// desk is the state of the outputs while the steps are gone through in order.
type desk struct {
	on      map[string]bool  // by need
	off     map[string]bool  // switched off by a step
	volts   map[string]asked // of sources
	limited map[string]bool  // sources whose current limit a step states
	hold    map[string]asked // of loads
	rising  string           // source that went on, or up from below where the device starts, and nothing has been waited for since
}

// startUp goes through the steps in order and warns of what makes a device start badly: a constant current or a constant power that
// meets a converter which still starts, a load on before its source, and a load that holds a voltage against a source. Nothing of it is
// certain before the device is there, so that it warns and does not refuse.
func (r *reader) startUp() {
	d := &desk{on: map[string]bool{}, off: map[string]bool{}, volts: map[string]asked{}, limited: map[string]bool{}, hold: map[string]asked{}}
	r.startSteps(d, r.seq.Steps)
}

func (r *reader) startSteps(d *desk, steps []Step) {
	for _, s := range steps {
		switch s := s.(type) {
		case *Source:
			r.startSource(d, s)
		case *Load:
			r.startLoad(d, s)
		case *Emulate:
			d.on[s.Role], d.off[s.Role], d.rising = s.Then == On, s.Then != On, ""
		case *Record:
			r.startSteps(d, s.Steps)
			d.rising = ""
		case *Rails:
			for _, rail := range s.Up {
				d.on[rail.Role], d.rising = true, ""
			}
			r.startSteps(d, s.Steps)
			if s.HasSteps() || len(s.Up) == 0 {
				d.rising = ""
			}
			for _, rail := range s.Up {
				if s.HasSteps() {
					d.on[rail.Role], d.off[rail.Role] = false, true
				}
			}
		case *Capture:
			r.startSteps(d, s.Steps)
			d.rising = ""
		case *Settle, *Wait, *Measure, *Check:
			d.rising = ""
		case *Sweep:
			r.startSteps(d, s.Steps)
			r.startSteps(d, s.Steps) // the second pass begins as the first one ends
		case *Repeat:
			r.startSteps(d, s.Steps)
			if s.Times > 1 {
				r.startSteps(d, s.Steps)
			}
		case *When:
			r.startSteps(d, s.Then)
			r.startSteps(d, s.Else)
		}
	}
}

func (r *reader) startSource(d *desk, s *Source) {
	was := d.volts[s.Role]
	if s.Volts != nil {
		d.volts[s.Role] = r.askedFor(s.Volts)
	}
	if s.Amps != nil {
		d.limited[s.Role] = true
	}
	if s.Output == Off {
		d.off[s.Role], d.on[s.Role] = true, false
		for name := range d.on { // the runner switches loads off before a source
			if need := r.need(name); need != nil && need.Role == RoleLoad {
				d.on[name] = false
			}
		}
		return
	}
	starts := !d.on[s.Role] || r.seq.Device != nil && was.least < r.seq.Device.StartsVolts
	d.on[s.Role], d.off[s.Role] = true, false
	if starts {
		d.rising = s.Role
	}
}

func (r *reader) startLoad(d *desk, s *Load) {
	if s.Hold != nil {
		d.hold[s.Role] = r.askedFor(s.Hold)
	}
	if s.Input == Off {
		d.on[s.Role] = false
		return
	}
	goesOn := !d.on[s.Role]
	d.on[s.Role] = true
	held, need := d.hold[s.Role], r.need(s.Role)
	if need == nil {
		return
	}
	if source := d.deadSource(r); goesOn && source != "" {
		r.care(s.Place, fmt.Sprintf("switch %s on first, and wait until the output stands", source),
			"%s goes on while %s is off: a load that waits at 0 V is fully open and takes a spike at turn-on", s.Role, source)
		return
	}
	if held.dim == quantity.Voltage {
		r.startVoltage(d, s, need)
		return
	}
	if !goesOn {
		return
	}
	switch below := r.tooLow(d); {
	case held.dim == quantity.Power && below != "":
		r.care(s.Place, "raise the source first, or hold ohms until the output stands",
			"%s holds a power while %s: below its turn-on voltage a constant power asks for a current without bound", s.Role, below)
	case held.dim == quantity.Power && d.rising != "":
		r.care(s.Place, fmt.Sprintf("put settle: {until: v(%s) within 1 %% for 20 ms, at_most: 2 s} before it", need.Node),
			"%s holds a power as soon as %s is on: at 0 V a constant power asks for a current without bound", s.Role, d.rising)
	case held.dim == quantity.Current && d.rising != "" && !(need.Amps.Set && held.first <= lightShare*need.Amps.High):
		r.care(s.Place, fmt.Sprintf("put settle: {until: v(%s) within 1 %% for 20 ms, at_most: 2 s} before it, or begin with a light load", need.Node),
			"%s holds a current as soon as %s is on: a converter that starts into constant current may stay at a low output, or stop again and again", s.Role, d.rising)
	}
}

// startVoltage warns of two that hold a voltage at one node.
func (r *reader) startVoltage(d *desk, s *Load, need *Need) {
	for _, other := range r.seq.Needs {
		if other.Role == RoleSource && other.Node == need.Node && !d.limited[other.Name] {
			r.care(s.Place, fmt.Sprintf("state amps for %s, so that its current limit decides", other.Name),
				"%s holds a voltage at %s, where %s does, too: two that regulate one voltage fight", s.Role, need.Node, other.Name)
			return
		}
	}
	guard := r.guard(need.Node)
	if dev := r.seq.Device; dev != nil && dev.Out == need.Node && !(guard != nil && guard.Amps.Set) {
		r.care(s.Place, fmt.Sprintf("guard the amps of %s, so that the load's protection ends it", need.Node),
			"%s holds a voltage at %s, which the device regulates: two that regulate one voltage fight", s.Role, need.Node)
	}
}

// deadSource names a source that a step has switched off, when no other one is on.
func (d *desk) deadSource(r *reader) string {
	name := ""
	for _, need := range r.seq.Needs {
		if need.Role != RoleSource {
			continue
		}
		if d.on[need.Name] {
			return ""
		}
		if d.off[need.Name] {
			name = need.Name
		}
	}
	return name
}

// tooLow says which source is below where the device starts, by the least value that is known; empty where none is.
func (r *reader) tooLow(d *desk) string {
	dev := r.seq.Device
	if dev == nil || dev.StartsVolts == 0 {
		return ""
	}
	for _, need := range r.seq.Needs {
		if need.Role != RoleSource || need.Node != dev.In || !d.on[need.Name] {
			continue
		}
		if v := d.volts[need.Name]; v.dim == quantity.Voltage && v.least < dev.StartsVolts {
			return fmt.Sprintf("%s is at %s and the device starts at %s", need.Name, quantity.Volt(v.least), quantity.Volt(dev.StartsVolts))
		}
	}
	return ""
}

// care warns once at a place.
func (r *reader) care(place diag.Place, hint, format string, args ...any) {
	if r.cared[place] {
		return
	}
	if r.cared == nil {
		r.cared = map[diag.Place]bool{}
	}
	r.cared[place] = true
	r.found.Warn(place, hint, format, args...)
}

func (r *reader) need(name string) *Need {
	for i := range r.seq.Needs {
		if r.seq.Needs[i].Name == name {
			return &r.seq.Needs[i]
		}
	}
	return nil
}

// askedFor is what setpoint has noted of an expression.
func (r *reader) askedFor(e *expr.Expr) asked {
	if a, ok := r.setpoints[e]; ok {
		return a
	}
	return asked{least: math.Inf(1), first: math.NaN()}
}

// noteSetpoint keeps what is known of a setpoint.
func (r *reader) noteSetpoint(e *expr.Expr, a asked) {
	if r.setpoints == nil {
		r.setpoints = map[*expr.Expr]asked{}
	}
	r.setpoints[e] = a
}
