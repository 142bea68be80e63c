package driver

import (
	"math"

	"fourwire/driver/scpi"
)

// Reading makes a reading of a value that was fetched, with the uncertainty that its range and aperture have: what one trigger gave of the
// i-th function of the capture. It stands for no time; the caller knows when the trigger was. An infinite value is an overload, and one that is no
// number ErrNoReading.
func (d *Digitiser) Reading(a Armed, functions []Function, i int, value float64) (Reading, error) {
	f := functions[i]
	taken := &acquisition{channel: d.channel, aperture: secondsOf(a.ApertureSeconds)}
	taken.full[f] = a.Ranges[i].Full
	taken.value[f] = scpi.Number{X: value}
	switch {
	case math.IsNaN(value):
		taken.value[f].State = scpi.NotANumber
	case math.IsInf(value, 0):
		taken.value[f].State = scpi.Over
	}
	r, err := d.evaluate(taken, f)
	return r, d.wrap(err)
}
