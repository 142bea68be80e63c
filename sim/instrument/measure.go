package instrument

import (
	"math"
	"time"

	"fourwire/sim/scpi"
)

// Function is what a channel measures.
type Function uint8

// The functions.
const (
	Volts Function = iota
	Amps
)

func (f Function) String() string {
	if f == Amps {
		return "amps"
	}
	return "volts"
}

// LineHertz is the mains frequency that power line cycles are counted in.
const LineHertz = 50

const startAperture = 20 * time.Millisecond

// gauge is one measuring function of a channel: its ranges, its aperture and the numbers of its samples.
type gauge struct {
	function Function
	ranges   []Range
	selected int
	aperture time.Duration
	samples  uint64
	window   *Window
	reading  float64 // NaN: none
	last     float64 // the last one that was finished; NaN: none
	before   float64 // the same, when the one under way began
}

func newGauge(f Function, ranges []Range) gauge {
	return gauge{function: f, ranges: ranges, selected: len(ranges) - 1, aperture: startAperture, reading: math.NaN(), last: math.NaN(), before: math.NaN()}
}

// choose selects the smallest range that holds a value and tells whether the range has changed; false, false when none holds it.
func (g *gauge) choose(value float64) (changed, ok bool) {
	for i := range g.ranges {
		if math.Abs(value) <= g.ranges[i].Full*(1+1e-9) {
			changed = i != g.selected
			g.selected = i
			return changed, true
		}
	}
	return false, false
}

func (g *gauge) reset() {
	g.selected, g.aperture, g.reading = len(g.ranges)-1, startAperture, math.NaN()
}

func (g *gauge) present() *Range { return &g.ranges[g.selected] }

// read turns the mean of the true signal over the aperture into a reading:
//
//	quantise( mean (1 + gain + tg dT) + offset + to dT + noise ),   noise^2 = density^2/(2 aperture) + floor^2
//
// Beyond the end of the range it is SCPI's infinity. The spread belongs to the sample's number, not to the moment.
func (g *gauge) read(mean float64, seed Seed, instrument string, channel int, kelvin float64) float64 {
	r := g.present()
	g.samples++
	beyond := r.Beyond
	if beyond == 0 {
		beyond = 1.1
	}
	switch {
	case math.IsNaN(mean):
		return scpi.NotANumber
	case math.Abs(mean) > r.Full*beyond:
		return math.Copysign(scpi.Infinity, mean)
	}
	y := mean*(1+r.Gain+r.GainPerKelvin*kelvin) + r.Offset + r.OffsetPerKelvin*kelvin
	if r.NoiseDensity > 0 || r.NoiseFloor > 0 {
		sigma := math.Sqrt(r.NoiseDensity*r.NoiseDensity/(2*g.aperture.Seconds()) + r.NoiseFloor*r.NoiseFloor)
		y += sigma * seed.Normal(Key{instrument, channel, g.noiseName(), g.samples})
	}
	if r.Resolution > 0 {
		y = math.Round(y/r.Resolution) * r.Resolution
	}
	return y
}

func (g *gauge) noiseName() string {
	if g.function == Amps {
		return "amps noise"
	}
	return "volts noise"
}
