package drain

import (
	"fmt"
	"math"

	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// inputs are the error inputs of all ranges.
type inputs struct {
	ranges                []RangeError
	gain, offset          []measured.ID
	volts                 *RangeError
	voltsGain, voltsShift measured.ID
	interval              float64
}

func (a *analysis) inputs() *inputs {
	in := &inputs{ranges: a.o.Ranges, volts: a.o.Volts, interval: a.o.IntervalSeconds}
	l := a.o.Ledger
	for i, r := range a.o.Ranges {
		name := r.Name
		if name == "" {
			name = fmt.Sprintf("current range %d", i+1)
		}
		in.gain = append(in.gain, l.Shared(measured.Input{Name: name + " gain", Kind: measured.Gain}))
		in.offset = append(in.offset, l.Shared(measured.Input{Name: name + " offset", Kind: measured.Offset}))
	}
	if v := a.o.Volts; v != nil {
		name := v.Name
		if name == "" {
			name = "voltage range"
		}
		in.voltsGain = l.Shared(measured.Input{Name: name + " gain", Kind: measured.Gain})
		in.voltsShift = l.Shared(measured.Input{Name: name + " offset", Kind: measured.Offset})
	}
	return in
}

// charge is in C: the gain of each range acts on the charge measured in it, its offset on the time.
func (in *inputs) charge(ranges []tally) measured.Value {
	var sum float64
	var terms []measured.Term
	for i, t := range ranges {
		sum += t.sum
		if t.n > 0 && i < len(in.ranges) {
			terms = in.term(terms, in.gain[i], t.sum*in.interval*in.ranges[i].Gain)
			terms = in.term(terms, in.offset[i], float64(t.n)*in.interval*in.ranges[i].Offset)
		}
	}
	return measured.New(quantity.Of(sum*in.interval, quantity.Charge), terms...)
}

func (in *inputs) term(terms []measured.Term, id measured.ID, part float64) []measured.Term {
	if part == 0 {
		return terms
	}
	return append(terms, measured.Term{Input: id, Part: part})
}

// energy is in J.
func (in *inputs) energy(cells []cell, volts bool, nominal float64) measured.Value {
	if !volts && nominal <= 0 {
		return measured.Value{X: math.NaN(), Dim: quantity.Energy}
	}
	var joules, coulombs float64
	var terms []measured.Term
	for i, c := range cells {
		product, volt := c.product, c.volt
		if !volts {
			product, volt = c.sum*nominal, float64(c.n)*nominal
		}
		joules += product * in.interval
		coulombs += c.sum * in.interval
		if c.n > 0 && i < len(in.ranges) {
			terms = in.term(terms, in.gain[i], product*in.interval*in.ranges[i].Gain)
			terms = in.term(terms, in.offset[i], volt*in.interval*in.ranges[i].Offset)
		}
	}
	if volts && in.volts != nil {
		terms = in.term(terms, in.voltsGain, joules*in.volts.Gain)
		terms = in.term(terms, in.voltsShift, coulombs*in.volts.Offset)
	}
	return measured.New(quantity.Of(joules, quantity.Energy), terms...)
}

// rms is in A: d rms = (sum of x dx)/(n rms).
func (in *inputs) rms(cells []cell, total Stats) measured.Value {
	rms := total.RMS()
	var terms []measured.Term
	for i, c := range cells {
		if c.n > 0 && i < len(in.ranges) && rms > 0 {
			n := float64(total.Count)
			terms = in.term(terms, in.gain[i], c.squares/n/rms*in.ranges[i].Gain)
			terms = in.term(terms, in.offset[i], c.sum/n/rms*in.ranges[i].Offset)
		}
	}
	return measured.New(quantity.Of(rms, quantity.Current), terms...)
}

// sample is one sample in A.
func (in *inputs) sample(amps float64, rng uint8) measured.Value {
	var terms []measured.Term
	if int(rng) < len(in.ranges) {
		terms = in.term(terms, in.gain[rng], amps*in.ranges[rng].Gain)
		terms = in.term(terms, in.offset[rng], in.ranges[rng].Offset)
	}
	return measured.New(quantity.Of(amps, quantity.Current), terms...)
}
