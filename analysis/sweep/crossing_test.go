package sweep_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"fourwire/analysis/sweep"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// By hand on straight lines.
func TestCrossing(t *testing.T) {
	for _, c := range []struct {
		name  string
		x, y  []float64
		level float64
		way   sweep.Direction
		want  float64 // NaN: an error
	}{
		{"half way up", []float64{0, 1}, []float64{0, 2}, 1, sweep.Either, 0.5},
		{"the first of several", []float64{0, 1, 2, 3}, []float64{0, 2, 0, 2}, 1, sweep.Either, 0.5},
		{"the first downwards", []float64{0, 1, 2, 3}, []float64{0, 2, 0, 2}, 1, sweep.Falling, 1.5},
		{"upwards after falling", []float64{0, 1, 2}, []float64{2, 0, 4}, 1, sweep.Rising, 1.25},
		{"begins at the level and rises", []float64{0, 1}, []float64{1, 2}, 1, sweep.Rising, 0},
		{"begins at the level for a while", []float64{0, 1, 2}, []float64{1, 1, 3}, 1, sweep.Either, 1},
		{"begins at the level and rises: does not fall", []float64{0, 1}, []float64{1, 2}, 1, sweep.Falling, nan},
		{"ends at the level", []float64{0, 1}, []float64{0, 1}, 1, sweep.Rising, 1},
		{"touches the level from below: arrived upwards", []float64{0, 1, 2}, []float64{0, 1, 0}, 1, sweep.Rising, 1},
		{"touches the level from below: has not fallen through", []float64{0, 1, 2}, []float64{0, 1, 0}, 1, sweep.Falling, nan},
		{"stands on the level", []float64{3, 4}, []float64{1, 1}, 1, sweep.Either, 3},
		{"one point on the level", []float64{3}, []float64{1}, 1, sweep.Either, 3},
		{"across a gap", []float64{0, 1, 2}, []float64{0, nan, 2}, 1, sweep.Either, 1},
		{"never", []float64{0, 1}, []float64{0, 1}, 2, sweep.Either, nan},
		{"never that way", []float64{0, 1}, []float64{0, 2}, 1, sweep.Falling, nan},
		{"nothing", []float64{nan}, []float64{0}, 0, sweep.Either, nan},
	} {
		got, err := sweep.Crossing(exact(quantity.Current, c.x...), exact(quantity.Voltage, c.y...), one(c.level, quantity.Voltage), c.way, nil)
		if math.IsNaN(c.want) != (err != nil) || err == nil && math.Abs(got.X-c.want) > 1e-12 {
			t.Errorf("%s: %v, %v; want %v", c.name, got.X, err, c.want)
		}
	}
	_, err := sweep.At(exact(quantity.Voltage, 5, 4.9), exact(quantity.Current, 1, 3), one(4, quantity.Current), nil)
	var outside *sweep.Outside
	if !errors.As(err, &outside) || outside.Points.High != 3 {
		t.Errorf("extrapolated: %v", err)
	}
}

// Half way between two readings of one meter with the same offset: the offset stays, the scatter of the two halves is
// 1/sqrt 2 of one, and the slope turns an error of the place into one of the value. By the derivatives of a straight line.
func TestInterpolationPropagates(t *testing.T) {
	var l measured.Ledger
	y := read(&l, "dmm", quantity.Voltage, 0, 1e-3, 2e-3, 5.0, 4.8)
	at := measured.New(quantity.Of(1.5, quantity.Current), measured.Term{Input: l.Own(measured.Input{}), Part: 0.01})
	got, err := sweep.At(y, exact(quantity.Current, 1, 2), at, nil)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "y", got.X, 4.9, 1e-12)
	near(t, "u", got.Std(), math.Sqrt(1e-6+2e-6+4e-6), 1e-12)
}

// A made-up under-voltage lockout: starts at 4.5 V, stops at 4.2 V, swept in steps of 0.1 V both ways.
func TestHysteresis(t *testing.T) {
	var l measured.Ledger
	var in, out []float64
	on := false
	visit := func(v float64) {
		on = v >= 4.5 || on && v > 4.2
		in, out = append(in, v), append(out, map[bool]float64{true: 5, false: 0}[on])
	}
	for i := range 21 {
		visit(3.96 + 0.05*float64(i))
	}
	for i := range 21 {
		visit(4.96 - 0.05*float64(i))
	}
	vi, vo := read(&l, "dmm", quantity.Voltage, 1e-3, 2e-3, 0, in...), exact(quantity.Voltage, out...)
	half := one(2.5, quantity.Voltage)
	pair, err := sweep.Thresholds(vi, vo, half, nil)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "starts", pair.Up.X, 4.5, 0.05)
	near(t, "stops", pair.Down.X, 4.2, 0.05)
	near(t, "hysteresis", pair.Hysteresis.X, 0.3, 0.1)
	// the offset cancels, the gain acts on the difference only
	near(t, "u of the hysteresis", pair.Hysteresis.Std(), 1e-3*pair.Hysteresis.X, 1e-12)

	up, err := sweep.Threshold(vi, vo, half, sweep.Rising, &l)
	if err != nil || math.Abs(up.X-4.5) > 0.025+1e-9 {
		t.Errorf("threshold %v, %v", up.X, err)
	}
	// the step of 50 mV is the limit +-25 mV of a rectangle: JCGM 100:2008, 4.3.7
	near(t, "u of the threshold", up.Std(), math.Sqrt(math.Pow(0.025, 2)/3+math.Pow(4.5e-3, 2)+4e-6), 1e-4)

	var oneWay *sweep.OneWay
	if _, err = sweep.Thresholds(vi[:21], vo[:21], half, nil); !errors.As(err, &oneWay) || !oneWay.Up || oneWay.Down {
		t.Errorf("one way only: %v", err)
	}
	if _, err = sweep.Thresholds(vi, vo, one(7, quantity.Voltage), nil); !errors.As(err, &oneWay) || oneWay.Up {
		t.Errorf("never: %v", err)
	}
}

// Measured boost converter (testdata/boost-3v3.csv): from about 0.15 V the ripple jumps to 0.4 to 0.8 V between 20 and 30 mA,
// at 1.05 to 1.20 V of input.
func TestRippleJumpsBetween20And30mA(t *testing.T) {
	c := table(t, "boost-3v3.csv")
	var l measured.Ledger
	for _, input := range []string{"1.05", "1.10", "1.15", "1.20"} {
		var io, ripple []float64
		for i := range c["load_mA"] {
			if c["vin_nominal_V"][i] == input {
				io, ripple = append(io, number(t, c["load_mA"][i])*1e-3), append(ripple, number(t, c["ripple_mVpp"][i])*1e-3)
			}
		}
		at, err := sweep.Threshold(exact(quantity.Current, io...), exact(quantity.Voltage, ripple...), one(0.3, quantity.Voltage), sweep.Rising, &l)
		if err != nil || math.Abs(at.X-25e-3) > 1e-9 || math.Abs(at.Std()-5e-3/math.Sqrt(3)) > 1e-9 {
			t.Errorf("%s V: %v ± %v, %v", input, at.X, at.Std(), err)
		}
	}
}

func ExampleThresholds() {
	vi := exact(quantity.Voltage, 4.0, 4.4, 4.6, 5.0, 4.6, 4.2, 4.0)
	vo := exact(quantity.Voltage, 0, 0, 5, 5, 5, 5, 0)
	pair, err := sweep.Thresholds(vi, vo, one(2.5, quantity.Voltage), nil)
	fmt.Println(pair.Up.Quantity(), pair.Down.Quantity(), pair.Hysteresis.Quantity(), err)
	// Output: 4.5 V 4.1 V 400 mV <nil>
}
