package bench

import (
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Shape describes a bench file.
func Shape() diag.Type {
	identity := &diag.Shape{Title: "an identity", About: "What the instrument must say of itself before anything is set.", Fields: []diag.Field{
		{Name: "maker", Type: diag.Text(), About: "first field of the answer to the identity query, exactly"},
		{Name: "model", Type: diag.Text(), About: "second field, exactly"},
		{Name: "serial", Type: diag.Text(), About: "third field, exactly; tells two instruments of one model apart"},
	}}
	instrument := &diag.Shape{Title: "an instrument", Fields: []diag.Field{
		{Name: "model", Type: diag.Text(), Required: true, About: "a model of the library, or the path of a model file beside the bench file"},
		{Name: "address", Type: diag.Text(), Required: true, About: "where it is: tcp://host:port, serial:///dev/ttyUSB0 or sim:name, with options behind a question mark"},
		{Name: "identity", Type: diag.Struct(identity), About: "what it must say of itself; left out: what the model asks for"},
		{Name: "calibrated", Type: diag.Text(), About: "date of the last calibration, as in 2026-03-01"},
	}}
	wire := &diag.Shape{Title: "a wire", Fields: []diag.Field{
		{Name: "channel", Type: diag.Text(), Required: true, About: "an instrument, or instrument.number for a channel other than the first"},
		{Name: "node", Type: diag.Text(), Required: true, About: "the node of the device, as in dut.in"},
		{Name: "as", Type: diag.Word(string(Source), string(Load), string(Voltmeter), string(Ammeter), string(Switch)), Required: true, About: "source, load, voltmeter, ammeter or switch"},
		{Name: "sense", Type: diag.Word(string(Local), string(Remote)), About: "where a source or load senses its voltage; local where nothing is stated"},
		{Name: "lead", Type: diag.Amount(quantity.Resistance), About: "resistance of each of the two conductors between terminals and node"},
		{Name: "lead_tolerance", Type: diag.Amount(quantity.Ratio), About: "how far that resistance may be off; 20 % where nothing is stated"},
		{Name: "inductance", Type: diag.Amount(quantity.Inductance), About: "of the loop that both conductors make; 1 uH, a loop of about a metre, where nothing is stated"},
		{Name: "earthed", Type: diag.YesNo(), About: "whether its minus terminal is joined to protective earth"},
		{Name: "site", Type: diag.Text(), About: "the site whose node it is"},
		{Name: "through", Type: diag.Text(), About: "the relay of a switch unit that joins a voltmeter to this node, as in mux.2; those that join it to other nodes are opened before"},
	}}
	return diag.Struct(&diag.Shape{Title: "a bench file", About: "The instruments of a bench, where they are, and how they are wired to the nodes of the device.", Fields: []diag.Field{
		{Name: "fourwire", Type: diag.Word("bench/1"), Required: true, About: "bench/1, the kind and version of this file"},
		{Name: "title", Type: diag.Text(), About: "what a report calls the bench"},
		{Name: "ambient", Type: diag.Amount(quantity.Temperature), About: "temperature around the instruments, for errors outside their calibration band"},
		{Name: "simulate", Type: diag.Text(), About: "scenario file beside this one, for addresses that begin with sim:"},
		{Name: "instruments", Type: diag.MapOf("names of instruments", diag.Struct(instrument)), Required: true, About: "the instruments by name"},
		{Name: "sites", Type: diag.MapOf("names of sites", diag.Struct(siteShape())), About: "positions for devices of one kind, each with one device"},
		{Name: "wiring", Type: diag.ListOf(diag.Struct(wire)), Required: true, About: "which channel is wired to which node, as what"},
		{Name: "triggers", Type: diag.ListOf(diag.Struct(triggerShape())), About: "the trigger lines that join instruments"},
		{Name: "nodes", Type: diag.MapOf("names of nodes", diag.Struct(nodeShape())), About: "what is known of the nodes of the device"},
		{Name: "touch", Type: diag.Struct(touchShape()), About: "from which voltage on people are warned"},
	}})
}
