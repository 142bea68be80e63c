package sweep_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"fourwire/analysis/sweep"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// A hand-over anywhere in the middle of the sweep is found within one point, a step as a step and a bend as a bend of about the
// right size. The curve is a converter's closed form; the step of 2 points of efficiency is what a published loss model of a
// converter gives where it stops skipping pulses (0.121 W against 0.148 W of loss at 0.31 A and 3.3 V).
func TestModeChangeIsLocated(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 1))
	for _, c := range []struct {
		name       string
		change     func(ratio float64) float64 // added at a load of ratio times that of the hand-over
		step, bend float64
		tolerance  float64
	}{
		{"step", func(ratio float64) float64 {
			if ratio < 1 {
				return 0.02
			}
			return 0
		}, -0.02, 0, 0.004},
		{"bend", func(ratio float64) float64 { return -0.05 * max(0, math.Log(ratio)) }, 0, -0.05, 0.01},
	} {
		for range 200 {
			f := converter(0.02+0.2*r.Float64(), 0.1+0.3*r.Float64(), 0.02+0.1*r.Float64())
			at := 0.15 * math.Pow(7, r.Float64())
			var l measured.Ledger
			y, x := measure(r, &l, func(a float64) float64 { return f(a) + c.change(a/at) }, 20, 1e-3, 1e-4, true)
			kinks, err := sweep.Kinks(y, x)
			if err != nil || len(kinks) != 1 {
				t.Fatalf("%s at %.3f A: %+v, %v", c.name, at, kinks, err)
			}
			k := kinks[0]
			if oneStep := math.Pow(60, 1.0/19) * 1.0001; k.Low.X > at*oneStep || k.High.X*oneStep < at {
				t.Errorf("%s at %.3f A: found between %.3f and %.3f A", c.name, at, k.Low.X, k.High.X)
			}
			if (k.Step == 0) != (c.step == 0) || math.Abs(k.Step-c.step) > c.tolerance || math.Abs(k.Bend-c.bend) > c.tolerance {
				t.Errorf("%s at %.3f A: step %.4f, bend %.4f", c.name, at, k.Step, k.Bend)
			}
			if place := k.At(&l); place.X < k.Low.X || place.X > k.High.X || place.Expanded() < (k.High.X-k.Low.X)/2 {
				t.Errorf("%s: place %v ± %v", c.name, place.X, place.Expanded())
			}
		}
	}
}

// A smooth curve has no kink, however its points are spread and scattered. Common practice, no source: fewer than 1 % of draws.
func TestSmoothCurvesHaveNoKink(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 1))
	const draws = 1000
	false_ := 0
	for i := range draws {
		f := converter(0.02+0.2*r.Float64(), 0.1+0.3*r.Float64(), 0.02+0.1*r.Float64())
		scatter := []float64{0, 1e-5, 1e-4, 1e-3}[i%4]
		var l measured.Ledger
		y, x := measure(r, &l, f, 8+r.IntN(25), 1e-3, scatter, i%8 < 4)
		kinks, err := sweep.Kinks(y, x)
		if err != nil {
			t.Fatal(err)
		}
		if len(kinks) > 0 {
			false_++
		}
	}
	if false_ > draws/100 {
		t.Errorf("%d of %d smooth curves have a kink", false_, draws)
	}
}

// Two changes of mode are both found.
func TestTwoModeChanges(t *testing.T) {
	f := converter(0.1, 0.3, 0.06)
	var l measured.Ledger
	y, x := measure(rand.New(rand.NewPCG(9, 1)), &l, func(a float64) float64 {
		switch {
		case a < 0.2:
			return f(a) + 0.05
		case a < 1:
			return f(a)
		}
		return f(a) - 0.03
	}, 40, 0, 1e-5, true)
	kinks, err := sweep.Kinks(y, x)
	if err != nil || len(kinks) != 2 || kinks[0].High.X < 0.2 || kinks[0].Low.X > 0.2 || kinks[1].High.X < 1 || kinks[1].Low.X > 1 {
		t.Errorf("%+v %v", kinks, err)
	}
	var few *sweep.TooFew
	if _, err := sweep.Kinks(y[:5], x[:5]); !errors.As(err, &few) {
		t.Errorf("five points: %v", err)
	}
}

func ExampleKinks() {
	var vo, io []measured.Value
	for i := range 12 {
		amps := 0.25 * float64(i+1)
		volts := 5.02 - 0.01*amps - 0.5*max(0, amps-2.1) // current limit from 2.1 A on
		io = append(io, measured.Exact(quantity.Of(amps, quantity.Current)))
		vo = append(vo, measured.Exact(quantity.Of(volts, quantity.Voltage)))
	}
	kinks, err := sweep.Kinks(vo, io)
	for _, k := range kinks {
		fmt.Println(k.Low.Quantity(), "to", k.High.Quantity(), err)
	}
	// Output: 2 A to 2.25 A <nil>
}
