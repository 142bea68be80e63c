package model

import (
	"time"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Relay is a channel that joins two nodes, or does not. Its words are those of an output: "switch on" closes it, "switch off" opens it.
type Relay struct {
	Volts quantity.Span // across it while it is open, and when it moves under voltage
	Amps  quantity.Span // that it carries
	Ohm   float64       // closed; 0: not stated
	Moves time.Duration // until it has closed or opened and no longer bounces
}

func relayShape() *diag.Shape {
	return &diag.Shape{Title: "a switch", Fields: []diag.Field{
		{Name: "volts", Type: diag.SpanOf(quantity.Voltage), Required: true, About: "that it may stand across it"},
		{Name: "amps", Type: diag.SpanOf(quantity.Current), Required: true, About: "that it may carry"},
		{Name: "resistance", Type: diag.Amount(quantity.Resistance), About: "of the closed switch"},
		{Name: "move", Type: diag.Amount(quantity.Time), About: "until it has closed or opened, bouncing included"},
	}}
}

func (r *reader) relay(n *diag.Node) *Relay {
	s := &Relay{Volts: r.span(n.Get("volts")), Amps: r.span(n.Get("amps")), Ohm: r.amount(n.Get("resistance")), Moves: r.duration(n.Get("move"))}
	if s.Ohm < 0 || s.Moves < 0 {
		r.found.Add(n.Place, "the resistance and the time of a switch are not negative")
	}
	return s
}
