package battery_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"fourwire/analysis/battery"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// sloped is a cell from 2 V empty to 3 V full with 10 ohm: where a drop ends it is told in the head.
func sloped() *battery.Cell {
	table, _ := battery.Rising([]float64{0, 1}, []float64{2, 3}, battery.Linear)
	return &battery.Cell{CapacityCoulomb: 0.225 * 3600, OCV: table, Ohm: battery.Constant(10)}
}

func amps(x float64, terms ...measured.Term) measured.Value {
	return measured.New(quantity.Of(x, quantity.Current), terms...)
}

// SD-03 of the published check values: 225 mAh, 10 uA, 1 % a year.
func TestLifeWithSelfDischarge(t *testing.T) {
	c := sloped()
	c.SelfDischarge = [2]float64{0.01, 0.01}
	r := battery.Life(c, battery.LifeInput{Mean: amps(10e-6)})
	within(t, "hours", r.Hours, 21936.94, 0.006)
	if r.EndedBy != battery.EndedByCharge || r.Low != r.Hours || r.High != r.Hours || r.YearHours != 8766 || r.Dominant != "" {
		t.Errorf("%+v", r)
	}
	// BA-05: without self-discharge 4902 days of 1.224 mAh, but treat ten years as the ceiling of such a cell
	c = sloped()
	c.CapacityCoulomb = 6 * 3600
	in := battery.LifeInput{Mean: amps(1.224e-3 * 3600 / 86400)}
	within(t, "days", battery.Life(c, in).Hours/24, 4902, 0.5)
	in.ShelfYears = 10
	r = battery.Life(c, in)
	if r.EndedBy != battery.EndedByShelf || r.Hours != 87660 || r.High != 87660 || r.Dominant != battery.EndedByShelf {
		t.Errorf("%+v", r)
	}
}

// Where a peak, the mean alone or nothing at all ends a life: hand figures of a straight cell.
func TestWhatEndsALife(t *testing.T) {
	c := sloped()
	c.CutoffVolts = 2.0
	for _, w := range []struct {
		name       string
		mean, peak float64
		share      float64
		by         string
	}{
		{"a peak of 50 mA takes 0.5 V, half of the charge", 10e-6, 50e-3, 0.5, battery.EndedByPeak},
		{"a mean of 20 mA takes 0.2 V by itself", 20e-3, 0, 0.8, battery.EndedByCutoff},
		{"no peak", 10e-6, 0, 1 - 1e-4, battery.EndedByCutoff},
		{"101 mA is too much at once", 10e-6, 101e-3, 0, battery.EndedByNothing},
	} {
		r := battery.Life(c, battery.LifeInput{Mean: amps(w.mean), PeakAmps: w.peak})
		within(t, w.name, r.Share, w.share, 1e-9)
		if r.EndedBy != w.by {
			t.Errorf("%s: ended by %q", w.name, r.EndedBy)
		}
		within(t, w.name, r.Hours, w.share*0.225/w.mean, 1e-6)
	}
	// the pairs count for as long as the peak lasts
	c.Pairs = []battery.Pair{{Ohm: battery.Constant(10), TauSeconds: 1}}
	short := battery.Life(c, battery.LifeInput{Mean: amps(1e-9), PeakAmps: 40e-3, PeakSeconds: 1e-4})
	long := battery.Life(c, battery.LifeInput{Mean: amps(1e-9), PeakAmps: 40e-3})
	within(t, "short peak", short.Share, 0.6, 1e-4)
	within(t, "long peak", long.Share, 0.2, 1e-6)
	// and the cold takes its share: 25 kJ/mol is 2.52 times at 0 degC
	c.Pairs, c.ActivationJoulePerMole = nil, 25e3
	cold := battery.Life(c, battery.LifeInput{Mean: amps(1e-9), PeakAmps: 20e-3, Kelvin: 273.15})
	within(t, "in the cold", cold.Share, 1-0.2*2.52, 0.001)
}

// A table that dips under the cut-off and comes back ends a life at the dip: the cell is on its way down.
func TestLifeEndsAtTheFirstFall(t *testing.T) {
	c := sloped()
	c.CutoffVolts = 2.0
	c.Ohm, _ = battery.NewTable([]float64{0.5, 0.6, 0.7}, []float64{1, 100, 1}, battery.Linear)
	r := battery.Life(c, battery.LifeInput{Mean: amps(1e-9), PeakAmps: 10e-3})
	if r.EndCharge < 0.6 || r.EndCharge > 0.7 {
		t.Errorf("it ends at %g", r.EndCharge)
	}
}

// The assumption with the largest swing is named: each in turn.
func TestDominantAssumption(t *testing.T) {
	for _, w := range []struct {
		tolerance float64
		leak      [2]float64
		u         float64
		want      string
	}{
		{0.20, [2]float64{0.01, 0.02}, 0.1e-6, "capacity"},
		{0.01, [2]float64{0.00, 0.20}, 0.1e-6, "self-discharge"},
		{0.01, [2]float64{0.01, 0.02}, 2e-6, "mean current"},
	} {
		c := sloped()
		c.Tolerance, c.SelfDischarge = w.tolerance, w.leak
		r := battery.Life(c, battery.LifeInput{Mean: amps(10e-6, measured.Term{Input: 1, Part: w.u / 2})})
		if r.Dominant != w.want || len(r.Parts) != 3 {
			t.Errorf("%s: %+v", w.want, r)
		}
		if !(r.Low < r.Hours && r.Hours < r.High) {
			t.Errorf("%g < %g < %g does not hold", r.Low, r.Hours, r.High)
		}
		if !strings.Contains(r.Words(), "What moves it most is the "+w.want) || !strings.Contains(r.Words(), "8766 h") {
			t.Error(r.Words())
		}
		// the ends of the interval are those of the corners
		leak := func(capacity, per float64) float64 { return capacity * per / battery.YearSeconds }
		bad := 810 * (1 - w.tolerance)
		within(t, "bad end", r.Low, bad/(10e-6+w.u+leak(bad, w.leak[1]))/3600, 1e-6)
	}
}

func ExampleLife() {
	table, _ := battery.Rising([]float64{0, 0.1, 1}, []float64{2.0, 2.7, 3.3}, battery.Linear)
	c := &battery.Cell{CapacityCoulomb: 2.4 * 3600, Tolerance: 0.1, OCV: table, Ohm: battery.Constant(2), CutoffVolts: 2.4, SelfDischarge: [2]float64{0.01, 0.02}}
	mean := measured.New(quantity.MustParse("60 uA"), measured.Term{Part: 1e-6})
	life := battery.Life(c, battery.LifeInput{Mean: mean, PeakAmps: 0.15, ShelfYears: 10})
	fmt.Println(life.Words())
	// Output: 3.84 years, between 3.31 years and 4.44 years, with everything at its bad or at its good end. It ends with 10 % of the charge left, when a peak of 150 mA takes the voltage below the cut-off. Self-discharge is 4.11 uA beside the load's 60 uA: 6.41 % of the charge. What moves it most is the capacity, 2.16 Ah to 2.64 Ah: 3.48 years to 4.2 years. A year is 8766 h.
}

func TestWordsOfOddLives(t *testing.T) {
	c := sloped()
	if text := battery.Life(c, battery.LifeInput{}).Words(); !strings.Contains(text, "for ever") {
		t.Error(text)
	}
	c.CutoffVolts = 2
	if text := battery.Life(c, battery.LifeInput{Mean: amps(1)}).Words(); !strings.HasPrefix(text, "No life") {
		t.Error(text)
	}
	if got := battery.Span(math.Inf(1)); got != "for ever" {
		t.Error(got)
	}
	for hours, want := range map[float64]string{1.5: "1.5 h", 100: "4.17 days", 21936.94: "2.5 years", 8766000: "1000 years", 1e8: "11408 years"} {
		if got := battery.Span(hours); got != want {
			t.Errorf("%g h: %s, want %s", hours, got, want)
		}
	}
}
