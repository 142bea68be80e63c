package bench

import (
	"sort"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Node is what is known of a node of the device.
type Node struct {
	Name         string
	NominalVolts float64 // what it is meant for; 0: not stated
	Farads       float64 // capacitance there, the device's and what is added; 0: not stated
	BleederOhm   float64 // what discharges it when everything is off; 0: not stated
	Place        diag.Place
}

// Touch is from which voltage on people are warned. Product standards chose different voltages and do not agree (42.4 V, 50 V, 60 V d.c. among them):
// the usual ones here are common cautious choices and no rule.
type Touch struct {
	CautionVolts float64
	WarnVolts    float64 // from here on somebody must acknowledge it
}

// The usual levels.
const (
	usualCautionVolts = 42
	usualWarnVolts    = 60
)

// Node gives what is known of a node; the zero value but for its name where nothing is.
func (b *Bench) Node(name string) Node {
	for _, n := range b.Nodes {
		if n.Name == name {
			return n
		}
	}
	return Node{Name: name}
}

func nodeShape() *diag.Shape {
	return &diag.Shape{Title: "a node", About: "What is known of a node of the device.", Fields: []diag.Field{
		{Name: "nominal", Type: diag.Amount(quantity.Voltage), About: "voltage that the node is meant for; the hook-up check stays below a tenth of it"},
		{Name: "capacitance", Type: diag.Amount(quantity.Capacitance), About: "capacitance at the node, for the energy that stays stored"},
		{Name: "bleeder", Type: diag.Amount(quantity.Resistance), About: "resistance that discharges the node when everything is off, for the time that takes"},
	}}
}

func touchShape() *diag.Shape {
	return &diag.Shape{Title: "touch levels", About: "From which voltage on people are warned before anything is switched on.", Fields: []diag.Field{
		{Name: "caution", Type: diag.Amount(quantity.Voltage), About: "a caution from here on; 42 V where nothing is stated"},
		{Name: "warn", Type: diag.Amount(quantity.Voltage), About: "a warning that must be acknowledged from here on; 60 V where nothing is stated"},
	}}
}

// facts reads what the file says of nodes and of touch levels; the wiring has been read before.
func (r *reader) facts(root *diag.Node) {
	b := r.bench
	wired := map[string]bool{}
	var names []string
	for _, w := range b.Wiring {
		if !wired[w.Node] {
			wired[w.Node] = true
			names = append(names, w.Node)
		}
	}
	sort.Strings(names)
	if n := root.Get("nodes"); n != nil {
		for _, e := range n.Entries {
			node := Node{Name: e.Key, Place: e.Place}
			if !wired[e.Key] {
				r.found.AddHint(e.Place, diag.Suggest(e.Key, names), "nothing is wired to a node %q", e.Key)
			}
			for key, into := range map[string]*float64{"nominal": &node.NominalVolts, "capacitance": &node.Farads, "bleeder": &node.BleederOhm} {
				if v := e.Value.Get(key); v != nil {
					if *into = amount(v); *into <= 0 {
						r.found.Add(v.Place, "%s: a %s is above zero", v.Text, key)
					}
				}
			}
			b.Nodes = append(b.Nodes, node)
		}
	}
	b.Touch = Touch{usualCautionVolts, usualWarnVolts}
	n := root.Get("touch")
	if n == nil {
		return
	}
	for key, into := range map[string]*float64{"caution": &b.Touch.CautionVolts, "warn": &b.Touch.WarnVolts} {
		if v := n.Get(key); v != nil {
			if *into = amount(v); *into <= 0 {
				r.found.Add(v.Place, "%s: a touch level is above zero", v.Text)
			}
		}
	}
	if b.Touch.CautionVolts > b.Touch.WarnVolts {
		r.found.AddHint(n.Place, "state both", "a caution comes before a warning: %s is above %s", quantity.Volt(b.Touch.CautionVolts), quantity.Volt(b.Touch.WarnVolts))
	}
}
