package component

import (
	"errors"
	"fmt"
	"math"

	"fourwire/analysis/uncertain"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// Reading is the voltage and the current of a resistor at one setting of the source.
type Reading struct {
	Volts, Amps measured.Value
	Compliance  bool
}

// Resistance is a resistance freed of the voltage that is there without current.
type Resistance struct {
	Ohms    measured.Value
	Thermal measured.Value // the voltage at no current: thermal EMFs and the meter's own offset
	Counts  Counts
}

var errSameSign = errors.New("the current must change its direction from reading to reading: an offset shows only against its own sign")

// Reversed takes one reading with each direction of the current: R = (V+ - V-) / (I+ - I-). A thermal EMF that holds still
// cancels; one that drifts does not, see [Delta].
func Reversed(forward, backward Reading) (Resistance, error) {
	counts := count([]Reading{forward, backward})
	if err := counts.need("current reversal", 2); err != nil {
		return Resistance{Counts: counts}, err
	}
	if !(forward.Amps.X*backward.Amps.X < 0) {
		return Resistance{Counts: counts}, errSameSign
	}
	r := Resistance{Counts: counts, Ohms: measured.Div(measured.Sub(forward.Volts, backward.Volts), measured.Sub(forward.Amps, backward.Amps))}
	across := measured.Mul(r.Ohms, measured.Mean(forward.Amps, backward.Amps))
	r.Thermal = measured.Sub(measured.Mean(forward.Volts, backward.Volts), across)
	return r, nil
}

// Delta takes three or more readings with alternating directions of the current, evenly spaced in time. Each three of them in a
// row give (V1 - 2 V2 + V3) / (I1 - 2 I2 + I3), in which a thermal EMF that drifts in a straight line cancels too; the result
// is the mean. Where there are six or more, what these scatter beyond the errors of the readings is entered in the ledger.
func Delta(readings []Reading, ledger *measured.Ledger) (Resistance, error) {
	counts := count(readings)
	out := Resistance{Counts: counts}
	if counts.Compliance+counts.Outside > 0 {
		return out, fmt.Errorf("%d of %d readings cannot be used (%d in compliance): each needs its neighbours, measure the row again", counts.Compliance+counts.Outside, len(readings), counts.Compliance)
	}
	if err := counts.need("the delta method", 3); err != nil {
		return out, err
	}
	for i := 1; i < len(readings); i++ {
		if !(readings[i].Amps.X*readings[i-1].Amps.X < 0) {
			return out, errSameSign
		}
	}
	var ohms, thermal []measured.Value
	second := func(a, b, c measured.Value) measured.Value {
		sum := measured.Add(a, c)
		return measured.Linear(sum.X-2*b.X, b.Dim, sum, 1, b, -2)
	}
	mean := func(a, b, c measured.Value) measured.Value {
		sum := measured.Add(a, c)
		return measured.Linear(sum.X/4+b.X/2, b.Dim, sum, 0.25, b, 0.5)
	}
	for i := 2; i < len(readings); i++ {
		a, b, c := readings[i-2], readings[i-1], readings[i]
		one := measured.Div(second(a.Volts, b.Volts, c.Volts), second(a.Amps, b.Amps, c.Amps))
		ohms = append(ohms, one)
		thermal = append(thermal, measured.Sub(mean(a.Volts, b.Volts, c.Volts), measured.Mul(one, mean(a.Amps, b.Amps, c.Amps))))
	}
	out.Ohms, out.Thermal = measured.Mean(ohms...), measured.Mean(thermal...)
	if len(readings) >= 6 && ledger != nil {
		out.Ohms = scattered(out.Ohms, ohms, ledger)
	}
	return out, nil
}

// scattered adds what triples scatter by more than their error terms say. Neighbours have opposite signs in what they share, so
// that their mean scatters less than independent ones would: the bound is kept.
func scattered(mean measured.Value, triples []measured.Value, ledger *measured.Ledger) measured.Value {
	x := make([]float64, len(triples))
	for i, t := range triples {
		x[i] = t.X
	}
	n := float64(len(x))
	sd := uncertain.Describe(x).SD
	u := sd / math.Sqrt(n) * uncertain.Factor(uncertain.Coverage95, n-1) / 2
	if own := mean.Std(); u > own {
		in := ledger.Own(measured.Input{Name: "scatter of the delta readings", Kind: measured.Noise})
		return measured.Add(mean, measured.New(quantity.Of(0, mean.Dim), measured.Term{Input: in, Part: math.Sqrt(u*u - own*own)}))
	}
	return mean
}

func count(readings []Reading) (c Counts) {
	for _, r := range readings {
		switch {
		case r.Compliance:
			c.Compliance++
		case !finite(r.Volts.X, r.Amps.X):
			c.Outside++
		default:
			c.Used++
		}
	}
	return c
}

// Heating is what the power in a resistor does to it.
type Heating struct {
	Cold    measured.Value // resistance at no power
	PerWatt measured.Value // its change for each watt, ohm/W
	// Seen says that the change over the powers measured is larger than its expanded uncertainty: then Cold is the resistance and
	// the one at full current is not.
	Seen bool
	Hint string
}

// SelfHeating carries resistances at two or more powers on to no power, in a straight line by ordinary least squares. Each
// must have been taken when the part had come to rest; in pulses too short to heat it there is nothing to carry on.
func SelfHeating(ohms, watts []measured.Value) (Heating, error) {
	n := len(ohms)
	if n != len(watts) || n < 2 {
		return Heating{}, fmt.Errorf("%d resistances with %d powers: self-heating needs two or more of both", n, len(watts))
	}
	var meanX, meanY, sxx, most float64
	for i := range ohms {
		if !finite(ohms[i].X, watts[i].X) {
			return Heating{}, fmt.Errorf("resistance %d or its power is not finite: leave it out", i+1)
		}
		meanX += watts[i].X / float64(n)
		meanY += ohms[i].X / float64(n)
		most = max(most, math.Abs(watts[i].X))
	}
	for _, w := range watts {
		sxx += (w.X - meanX) * (w.X - meanX)
	}
	if !(sxx > 1e-12*most*most) {
		return Heating{}, errors.New("the powers do not differ: measure at another current")
	}
	slope := 0.0
	for i := range ohms {
		slope += (watts[i].X - meanX) * (ohms[i].X - meanY) / sxx
	}
	// each resistance counts by its weight; an error of a power by the slope, which is small in both results
	var h Heating
	h.PerWatt = measured.Exact(quantity.Of(0, ohms[0].Dim.Over(watts[0].Dim)))
	h.Cold = measured.Exact(quantity.Of(0, ohms[0].Dim))
	for i := range ohms {
		weight := (watts[i].X - meanX) / sxx
		at := measured.Linear(ohms[i].X, ohms[i].Dim, ohms[i], 1, watts[i], -slope)
		h.PerWatt = measured.Linear(h.PerWatt.X+weight*at.X, h.PerWatt.Dim, h.PerWatt, 1, at, weight)
		k := 1/float64(n) - meanX*weight
		h.Cold = measured.Linear(h.Cold.X+k*at.X, h.Cold.Dim, h.Cold, 1, at, k)
	}
	h.Seen = math.Abs(h.PerWatt.X) > max(h.PerWatt.Expanded(), 1e-9*math.Abs(h.Cold.X)/most) // less is rounding
	if h.Seen {
		h.Hint = fmt.Sprintf("self-heating: the resistance changes by %.2g %% at %s; take the value at no power, or use pulses",
			100*h.PerWatt.X*most/h.Cold.X, quantity.Of(most, quantity.Power).Text(3))
	}
	return h, nil
}
