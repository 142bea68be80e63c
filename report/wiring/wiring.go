// Package wiring draws how a bench is wired to the nodes of a device: sources, loads and meters, their conductors and sense leads, and what the leads
// drop. It takes plain data, so that a bench file and a record can both be drawn.
package wiring

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"fourwire/quantity"
)

// Wire is one channel at one node.
type Wire struct {
	Channel string  // "feed-psu", "twin.2"
	Node    string  // "dut.in"
	As      string  // source, load, voltmeter, ammeter
	Sense   string  // local or remote, of a source or load
	LeadOhm float64 // of each conductor; 0: not stated
	Earthed bool    // its minus terminal is joined to earth
}

// Drawing is what is drawn.
type Drawing struct {
	Title string
	Wires []Wire
	// Amps is the current at each node for which the drop of leads is worked out; a node that is missing gets the drop per ampere.
	Amps map[string]float64
	// Planned says what these currents are, in a word: "planned".
	Planned string
}

// supply is a channel with power terminals, and what else its channel does.
type supply struct{ Wire }

// node is one node with everything that is wired to it.
type node struct {
	name       string
	supplies   []supply
	ammeters   []Wire
	voltmeters []Wire
	load       bool // what has power terminals here only takes
}

// nodes sorts wires by node, in the order of the wiring. A voltmeter or ammeter that is the source's or load's own is no meter of its own.
func (d Drawing) nodes() []*node {
	var out []*node
	at := func(name string) *node {
		for _, n := range out {
			if n.name == name {
				return n
			}
		}
		out = append(out, &node{name: name})
		return out[len(out)-1]
	}
	powered := map[string]bool{}
	for _, w := range d.Wires {
		powered[w.Channel] = powered[w.Channel] || w.As == "source" || w.As == "load"
	}
	for _, w := range d.Wires {
		n := at(w.Node)
		switch {
		case w.As == "source" || w.As == "load":
			n.supplies = append(n.supplies, supply{w})
		case powered[w.Channel]:
		case w.As == "ammeter":
			n.ammeters = append(n.ammeters, w)
		default:
			n.voltmeters = append(n.voltmeters, w)
		}
	}
	for _, n := range out {
		n.load = len(n.supplies) > 0 && !slices.ContainsFunc(n.supplies, func(s supply) bool { return s.As == "source" })
	}
	return out
}

// drop says what both leads of a channel drop.
func (d Drawing) drop(w Wire) string {
	if w.LeadOhm <= 0 {
		return "leads not stated"
	}
	pair := 2 * w.LeadOhm
	text := "leads 2 × " + pretty(quantity.Of(w.LeadOhm, quantity.Resistance).Text(3))
	amps := math.Abs(d.Amps[w.Node])
	if amps == 0 || math.IsNaN(amps) || math.IsInf(amps, 0) {
		return text + fmt.Sprintf(", drop %s per ampere", pretty(quantity.Of(pair, quantity.Voltage).Text(3)))
	}
	text += fmt.Sprintf(", drop %s at %s", pretty(quantity.Of(pair*amps, quantity.Voltage).Text(3)), pretty(quantity.Of(amps, quantity.Current).Text(3)))
	if d.Planned != "" {
		text += " (" + d.Planned + ")"
	}
	return text
}

// pretty writes units as people do.
func pretty(text string) string {
	return strings.NewReplacer("ohm", "Ω", " u", " µ").Replace(text)
}

// short cuts a text that has no room.
func short(text string, most int) string {
	if r := []rune(text); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return text
}
