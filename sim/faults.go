package sim

import (
	"math"
	"slices"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sim/instrument"
)

// Fault is one way in which the bench departs from what its `wiring` says. Which fields count depends on Kind.
type Fault struct {
	Kind      string
	Wire      int // index of the channel's entry in Wiring
	With      int // and of the other one, of swapped channels
	Node      string
	Device    string
	Conductor string // "plus", "minus" or "both"
	Ohm       float64
	Volts     float64 // amplitude of an oscillation
	Hertz     float64
	Place     diag.Place
}

// The kinds of fault, as the file writes them.
const (
	FaultOpenLead       = "open-lead"
	FaultOpenSense      = "open-sense"
	FaultReversed       = "reversed"
	FaultReversedSense  = "reversed-sense"
	FaultSwapped        = "swapped"
	FaultShort          = "short"
	FaultAbsent         = "absent"
	FaultLeadResistance = "lead-resistance"
	FaultWrongNode      = "wrong-node"
	FaultBypassed       = "bypassed"
	FaultOscillation    = "oscillation"
)

// Figures of faults that the file does not state; from memory.
const (
	usualShortOhm    = 20e-3 // a strand of wire across two terminals
	bypassOhm        = 5e-3  // a short lead beside an ammeter
	usualOscillation = 2e3   // Hz: a sense loop with an electrolytic capacitor in it
)

// conductors are the resistances of the four conductors of one channel, each by itself; +Inf is open. A channel without a fault has
// both conductors of a pair in one resistor.
type conductors struct {
	plus, minus           float64
	sensePlus, senseMinus float64
	sensePlusAt           string // node
	senseMinusAt          string
}

// faultShapes describes each kind of fault.
func faultShapes() []*diag.Shape {
	channel := diag.Field{Name: "channel", Type: diag.Text(), Required: true, About: "the channel whose wiring it is"}
	conductor := diag.Field{Name: "conductor", Type: diag.Word("plus", "minus", "both"), About: "which conductor; both where it is left out"}
	node := diag.Field{Name: "node", Type: diag.Text(), Required: true, About: "a node"}
	shape := func(kind, about string, fields ...diag.Field) *diag.Shape {
		kindField := diag.Field{Name: "kind", Type: diag.Word(kind), Required: true, About: "which fault it is"}
		return &diag.Shape{Title: "the fault " + kind, About: about, Fields: append([]diag.Field{kindField}, fields...)}
	}
	return []*diag.Shape{
		shape(FaultOpenLead, "conductors of a source, load or meter are not connected; of an ammeter: its line is open", channel, conductor),
		shape(FaultOpenSense, "sense conductors are not connected", channel, conductor),
		shape(FaultReversed, "plus and minus are exchanged, of the sense pair too", channel),
		shape(FaultReversedSense, "plus and minus of the sense pair alone are exchanged", channel),
		shape(FaultSwapped, "two channels have each other's wires", channel,
			diag.Field{Name: "with", Type: diag.Text(), Required: true, About: "the other channel"}),
		shape(FaultShort, "a node is joined to ground", node,
			diag.Field{Name: "resistance", Type: diag.Amount(quantity.Resistance), About: "of the short; 20 mohm where it is left out"}),
		shape(FaultAbsent, "a device is not there",
			diag.Field{Name: "device", Type: diag.Text(), Required: true, About: "the device"}),
		shape(FaultLeadResistance, "conductors have more resistance than the wiring says", channel, conductor,
			diag.Field{Name: "resistance", Type: diag.Amount(quantity.Resistance), Required: true, About: "what is added to each of them"}),
		shape(FaultWrongNode, "a channel is joined to another node; its sense pair too", channel, node),
		shape(FaultBypassed, "the current has a way past an ammeter", channel),
		shape(FaultOscillation, "the output oscillates while it is on and senses remotely", channel,
			diag.Field{Name: "amplitude", Type: diag.Amount(quantity.Voltage), Required: true, About: "of the oscillation at the node"},
			diag.Field{Name: "frequency", Type: diag.Amount(quantity.Frequency), About: "of the oscillation; 2 kHz where it is left out"}),
	}
}

// fault reads one fault; the wiring has been read before.
func (r *reader) fault(n *diag.Node, s *Scenario) Fault {
	f := Fault{Kind: n.Get("kind").Text, Place: n.Place, Wire: -1, With: -1, Conductor: "both", Ohm: usualShortOhm, Hertz: usualOscillation}
	for key, into := range map[string]*int{"channel": &f.Wire, "with": &f.With} {
		if v := n.Get(key); v != nil {
			*into = r.wired(v, s)
		}
	}
	if v := n.Get("conductor"); v != nil {
		f.Conductor = v.Text
	}
	if v := n.Get("node"); v != nil {
		f.Node = r.node(v)
		if f.Node == Ground && f.Kind == FaultShort {
			r.found.Add(v.Place, "ground cannot be shorted to ground")
		}
	}
	if v := n.Get("device"); v != nil {
		f.Device = v.Text
		var names []string
		for i := range s.Devices {
			names = append(names, s.Devices[i].Name)
		}
		if !slices.Contains(names, f.Device) {
			r.found.AddHint(v.Place, diag.Suggest(f.Device, names), "there is no device %q", f.Device)
		}
	}
	for key, into := range map[string]*float64{"resistance": &f.Ohm, "amplitude": &f.Volts, "frequency": &f.Hertz} {
		if v := n.Get(key); v != nil {
			q, _ := quantity.Parse(v.Text)
			if *into = q.SI; !(q.SI > 0) {
				r.found.Add(v.Place, "%s of a fault is above 0", key)
			}
		}
	}
	if f.Wire >= 0 {
		r.fits(n, f, s)
	}
	return f
}

// wired finds the wiring entry of a channel; -1 where there is none.
func (r *reader) wired(n *diag.Node, s *Scenario) int {
	var names []string
	for i, w := range s.Wiring {
		name := w.channelName()
		if n.Text == name || w.Channel == 1 && n.Text == w.Instrument+".1" {
			return i
		}
		names = append(names, name)
	}
	r.found.AddHint(n.Place, diag.Suggest(n.Text, names), "%q is wired to nothing, so nothing can be wrong with its wiring", n.Text)
	return -1
}

// fits refuses faults that a channel cannot have.
func (r *reader) fits(n *diag.Node, f Fault, s *Scenario) {
	w := s.Wiring[f.Wire]
	powered := s.kindOf(w.Instrument) != instrument.Meter
	place := n.Get("channel").Place
	switch f.Kind {
	case FaultOpenSense, FaultReversedSense:
		if w.SenseAt == "" {
			r.found.Add(place, "%s has no sense leads: its wiring says sense: local", w.channelName())
		}
	case FaultLeadResistance:
		if !powered {
			r.found.Add(place, "a lead of a meter has no resistance that counts")
		}
	case FaultBypassed:
		if !w.Ammeter {
			r.found.Add(place, "%s is no ammeter", w.channelName())
		}
	case FaultOscillation:
		if k := s.kindOf(w.Instrument); k != instrument.Source && k != instrument.Unit {
			r.found.Add(place, "%s has no output that could oscillate", w.channelName())
		}
	case FaultSwapped:
		if f.With == f.Wire {
			r.found.Add(place, "a channel cannot be swapped with itself")
		}
		if f.With >= 0 && w.Ammeter != s.Wiring[f.With].Ammeter {
			r.found.Add(place, "an ammeter cannot be swapped with what is not in a line")
		}
	}
}

func (s *Scenario) kindOf(name string) instrument.Kind {
	for i := range s.Instruments {
		if s.Instruments[i].Name == name {
			return s.Instruments[i].Kind
		}
	}
	return 0
}

// faulty is the wiring as it really is: that of the file, with its faults. bare names devices that are not there.
func (s *Scenario) faulty() (wires []Wire, absent map[string]bool) {
	wires = append(wires, s.Wiring...)
	absent = map[string]bool{}
	for _, f := range s.Faults { // first where wires go, then what is wrong with each
		switch f.Kind {
		case FaultAbsent:
			absent[f.Device] = true
		case FaultSwapped:
			a, b := &wires[f.Wire], &wires[f.With]
			a.Node, b.Node = b.Node, a.Node
			a.Against, b.Against = b.Against, a.Against
			a.SenseAt, b.SenseAt = b.SenseAt, a.SenseAt
			a.LeadOhm, b.LeadOhm = b.LeadOhm, a.LeadOhm
			a.Outward, b.Outward = b.Outward, a.Outward
		case FaultWrongNode:
			w := &wires[f.Wire]
			if w.SenseAt == w.Node {
				w.SenseAt = f.Node
			}
			w.Node = f.Node
		}
	}
	for i := range wires {
		wires[i].apart(s.Faults, i)
	}
	return wires, absent
}

// apart gives a wire with a fault its four conductors.
func (w *Wire) apart(faults []Fault, index int) {
	for _, f := range faults {
		if f.Wire != index {
			continue
		}
		switch f.Kind {
		case FaultOpenLead, FaultOpenSense, FaultReversed, FaultReversedSense, FaultLeadResistance:
		case FaultBypassed:
			w.bypassed = true
			continue
		case FaultOscillation:
			w.rippleVolts, w.rippleHertz = f.Volts, f.Hertz
			continue
		default:
			continue
		}
		c := w.four()
		plus, minus := f.Conductor != "minus", f.Conductor != "plus"
		switch f.Kind {
		case FaultOpenLead:
			open(&c.plus, plus)
			open(&c.minus, minus)
		case FaultOpenSense:
			open(&c.sensePlus, plus)
			open(&c.senseMinus, minus)
		case FaultLeadResistance:
			if plus {
				c.plus += f.Ohm
			}
			if minus {
				c.minus += f.Ohm
			}
		case FaultReversed:
			w.reversed = !w.reversed
			c.sensePlusAt, c.senseMinusAt = c.senseMinusAt, c.sensePlusAt
		case FaultReversedSense:
			c.sensePlusAt, c.senseMinusAt = c.senseMinusAt, c.sensePlusAt
		}
	}
}

func open(ohm *float64, yes bool) {
	if yes {
		*ohm = math.Inf(1)
	}
}

func (w *Wire) four() *conductors {
	if w.conductors == nil {
		lead := max(w.LeadOhm, leastLeadOhm)
		c := conductors{plus: lead, minus: lead, sensePlus: math.Inf(1), senseMinus: math.Inf(1)}
		if w.SenseAt != "" {
			sense := max(w.SenseOhm, leastLeadOhm)
			c.sensePlus, c.senseMinus, c.sensePlusAt, c.senseMinusAt = sense, sense, w.SenseAt, w.Against
		}
		w.conductors = &c
	}
	return w.conductors
}
