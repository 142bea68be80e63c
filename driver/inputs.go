package driver

import (
	"fmt"

	"fourwire/driver/model"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// inputs are the error inputs that all readings of a channel, function and range share.
type inputs struct {
	noise, resolution                  string // names of those that are each reading's own
	gain, offset                       measured.ID
	temperatureGain, temperatureOffset measured.ID
	ageGain, ageOffset                 measured.ID
	prefix                             string
}

// sharedInputs gives the inputs of a range, the same ones each time.
func (c *channel) sharedInputs(l *measured.Ledger, f Function, full float64, coverage model.Coverage) inputs {
	if in, ok := c.inputs[f][full]; ok {
		return in
	}
	shape := measured.Rectangular
	if coverage == model.TwoSigma {
		shape = measured.Normal
	}
	prefix := fmt.Sprintf("%s ch%d %s %s", c.in.config.Name, c.number, f, quantity.Of(full, f.Dim()))
	shared := func(what string, kind measured.Kind) measured.ID {
		return l.Shared(measured.Input{Name: prefix + " " + what, Kind: kind, Shape: shape})
	}
	in := inputs{
		prefix: prefix,
		noise:  prefix + " noise", resolution: prefix + " resolution",
		gain: shared("gain", measured.Gain), offset: shared("offset", measured.Offset),
	}
	if a := c.in.config.AmbientKelvin; a > 0 {
		in.temperatureGain, in.temperatureOffset = shared("temperature gain", measured.Temperature), shared("temperature offset", measured.Temperature)
	}
	if c.in.config.Age > 0 {
		in.ageGain, in.ageOffset = shared("age gain", measured.Age), shared("age offset", measured.Age)
	}
	if c.inputs == nil {
		c.inputs = map[Function]map[float64]inputs{}
	}
	if c.inputs[f] == nil {
		c.inputs[f] = map[float64]inputs{}
	}
	c.inputs[f][full] = in
	return in
}
