package battery

import (
	"errors"
	"fmt"
	"math"
)

// ErrFlat says that a series gives resistances but no table of the open-circuit voltage, since that does not fall.
var ErrFlat = errors.New("the open-circuit voltage does not fall from pulse to pulse: too little charge was drawn to make a table of it")

// PulseAt is the fit of one pulse of a series, with the charge at which it began.
type PulseAt struct {
	Charge  float64 `json:"charge"`
	Seconds float64 `json:"start_seconds"`
	Amps    float64 `json:"amps"`
	Long    float64 `json:"pulse_seconds"`
	PulseFit
}

// SeriesFit is what pulses at several charges gave.
type SeriesFit struct {
	CapacityCoulomb float64      `json:"capacity_coulomb"`
	Pulses          []PulseAt    `json:"pulses"`
	Pairs           []PairFigure `json:"pairs"` // the time constants shared by all pulses; resistances are the median
	LastVolts       Figure       `json:"last_volts"`
	LastCharge      float64      `json:"last_charge"`
	Notes           []string     `json:"notes,omitempty"`
}

// pulse is a stretch of current between two rests.
type pulse struct {
	from, to int // its samples
	end      int // of the rest behind it
}

// pulses finds the stretches where the current is above a twentieth of its largest size.
func pulses(r *Record) []pulse {
	most := 0.0
	for _, a := range r.Amps {
		most = max(most, math.Abs(a))
	}
	var out []pulse
	on := false
	for i, a := range r.Amps {
		flows := most > 0 && math.Abs(a) > most/20
		switch {
		case flows && !on:
			if n := len(out); n > 0 {
				out[n-1].end = i
			}
			out = append(out, pulse{from: i, end: len(r.Amps)})
		case !flows && on:
			out[len(out)-1].to = i
		}
		on = flows
	}
	if n := len(out); n > 0 && out[n-1].to == 0 {
		out[n-1].to = len(r.Amps)
	}
	return out
}

// Pulses is the number of stretches of current between rests that a record holds.
func Pulses(r *Record) int { return len(pulses(r)) }

// FitSeries fits pulses at several charges, each with its rest, counted from a charge at the beginning (0 is full) and a
// capacity (0: all that was drawn). It gives open-circuit voltage, series resistance and the resistances of the pairs
// against charge, the time constants being the same for all: their mean, weighted by how well each pulse tells them.
// What the current did before a pulse is reckoned with, so rests may be shorter than the slowest pair. With [ErrFlat] the
// cell comes without its open-circuit voltage.
func FitSeries(r *Record, capacityCoulomb, from float64, o PulseOptions) (*Cell, SeriesFit, error) {
	var f SeriesFit
	if err := r.Check(); err != nil {
		return nil, f, err
	}
	found := pulses(r)
	if len(found) == 0 || len(found) == 1 && found[0].to-found[0].from == len(r.Amps) {
		return nil, f, ErrNoPulse
	}
	drawn, all := r.Charge()
	if f.CapacityCoulomb = capacityCoulomb; capacityCoulomb == 0 {
		f.CapacityCoulomb = all
	}
	if !(f.CapacityCoulomb > 0) {
		return nil, f, errors.New("no charge was drawn in all; state the capacity")
	}
	if from == 0 {
		from = 1
	}
	o.FitSlope = true // each pulse moves the open-circuit voltage
	if o.Pairs == 0 && o.Taus == nil {
		o.Pairs = f.choosePairs(r, found, o)
	}
	if o.Taus == nil {
		if err := f.fitEach(r, found, o, drawn, from); err != nil {
			return nil, f, err
		}
		f.share()
		for _, p := range f.Pairs {
			o.Taus = append(o.Taus, p.Tau.Value)
		}
	} else {
		for _, tau := range o.Taus {
			f.Pairs = append(f.Pairs, PairFigure{Tau: Figure{Value: tau}})
		}
	}
	f.Pulses = nil
	if err := f.fitEach(r, found, o, drawn, from); err != nil {
		return nil, f, err
	}
	for k := range f.Pairs {
		var ohm, u []float64
		for _, p := range f.Pulses {
			ohm, u = append(ohm, p.PulseFit.Pairs[k].Ohm.Value), append(u, p.PulseFit.Pairs[k].Ohm.U)
		}
		f.Pairs[k].Ohm = Figure{median(ohm), median(u)}
	}
	last := found[len(found)-1]
	f.LastCharge = from - drawn[len(drawn)-1]/f.CapacityCoulomb
	tail := f.Pulses[len(f.Pulses)-1]
	q := drawn[last.end-1] - drawn[max(0, last.from-1)]
	f.LastVolts = Figure{tail.RestVolts.Value - tail.VoltsPerCoulomb.Value*q, math.Hypot(tail.RestVolts.U, tail.VoltsPerCoulomb.U*q)}
	c, err := f.cell()
	return c, f, err
}

// choosePairs lets the pulse in the middle say how many pairs the record shows.
func (f *SeriesFit) choosePairs(r *Record, found []pulse, o PulseOptions) int {
	k := len(found) / 2
	one, err := fitWindow(r, o, window(found, k), found[k].end)
	if err != nil {
		return 1
	}
	return len(one.Pairs)
}

// window is where the samples of a pulse begin: in the rest before it.
func window(found []pulse, k int) int {
	start := 0
	if k > 0 {
		start = found[k-1].to
	}
	// the last part of the rest tells the voltage before the pulse; its beginning belongs to the pulse before
	return max(start, found[k].from-max(3, (found[k].from-start)/4))
}

func (f *SeriesFit) fitEach(r *Record, found []pulse, o PulseOptions, drawn []float64, from float64) error {
	edges := r.edges()
	for k, p := range found {
		start := window(found, k)
		if start == p.from {
			f.Notes = append(f.Notes, fmt.Sprintf("pulse %d has no rest before it and was left out", k+1))
			continue
		}
		one, err := fitWindow(r, o, start, p.end)
		if err != nil {
			return fmt.Errorf("pulse %d, from %.6g s on: %w", k+1, r.Seconds[p.from], err)
		}
		f.Pulses = append(f.Pulses, PulseAt{Charge: from - drawn[start]/f.CapacityCoulomb, Seconds: edges[p.from], Long: edges[p.to] - edges[p.from],
			Amps: median(r.Amps[p.from:p.to]), PulseFit: one})
	}
	if len(f.Pulses) == 0 {
		return errors.New("no pulse has a rest before it")
	}
	return nil
}

// share takes the mean of the logarithms of each time constant, weighted by their uncertainties.
func (f *SeriesFit) share() {
	for k := range f.Pulses[0].PulseFit.Pairs {
		var sum, weight, scatter float64
		for _, p := range f.Pulses {
			tau := p.PulseFit.Pairs[k].Tau
			rel := max(tau.U/tau.Value, 1e-6)
			w := 1 / (rel * rel)
			sum, weight = sum+w*math.Log(tau.Value), weight+w
		}
		mean := sum / weight
		for _, p := range f.Pulses {
			d := math.Log(p.PulseFit.Pairs[k].Tau.Value) - mean
			scatter += d * d
		}
		n := float64(len(f.Pulses))
		u := math.Sqrt(1 / weight)
		if n > 1 {
			u = max(u, 2*math.Sqrt(scatter/(n-1)/n))
		}
		f.Pairs = append(f.Pairs, PairFigure{Tau: Figure{math.Exp(mean), math.Exp(mean) * u}})
	}
}

// cell makes the tables of the fitted pulses.
func (f *SeriesFit) cell() (*Cell, error) {
	n := len(f.Pulses)
	var charge, volts, ohm []float64
	pairs := make([][]float64, len(f.Pairs))
	for i := n - 1; i >= 0; i-- { // from empty to full
		p := f.Pulses[i]
		charge, volts, ohm = append(charge, clamp(p.Charge)), append(volts, p.RestVolts.Value), append(ohm, max(0, p.Ohm.Value))
		for k := range pairs {
			pairs[k] = append(pairs[k], max(0, p.PulseFit.Pairs[k].Ohm.Value))
		}
	}
	c := &Cell{CapacityCoulomb: f.CapacityCoulomb}
	var err error
	if n == 1 {
		c.Ohm = Constant(ohm[0])
	} else if c.Ohm, err = NewTable(charge, ohm, Linear); err != nil {
		return nil, err
	}
	for k, p := range f.Pairs {
		table := Constant(pairs[k][0])
		if n > 1 {
			if table, err = NewTable(charge, pairs[k], Linear); err != nil {
				return nil, err
			}
		}
		c.Pairs = append(c.Pairs, Pair{Ohm: table, TauSeconds: p.Tau.Value})
	}
	if last := clamp(f.LastCharge); last < charge[0]-1e-6 {
		charge, volts = append([]float64{last}, charge...), append([]float64{f.LastVolts.Value}, volts...)
	}
	charge, volts, pooled := Pool(charge, volts)
	if pooled > 0 {
		f.Notes = append(f.Notes, pooledNote(pooled))
	}
	if n := len(volts); n < 2 || volts[n-1]-volts[0] < 2*plateau {
		return c, ErrFlat
	}
	charge, volts, note := complete(charge, volts)
	if note != "" {
		f.Notes = append(f.Notes, note)
	}
	c.OCV, err = Rising(charge, volts, Linear)
	return c, err
}

func clamp(s float64) float64 { return max(0, min(1, s)) }
