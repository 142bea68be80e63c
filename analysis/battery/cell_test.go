package battery_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"fourwire/analysis/battery"
)

// PK-01 to PK-04 of the published check values: the two conventions give 14.5 h and 20 h for one cell at 5 A.
func TestPeukertConventions(t *testing.T) {
	within(t, "one-ampere, 5 A", battery.PeukertOneAmpere(100, 1.2, 5), 14.4955933, 0.6e-7)
	within(t, "rated, 5 A", battery.PeukertRated(100, 20, 1.2, 5), 20, 1e-12)
	within(t, "rated, 10 A", battery.PeukertRated(100, 20, 1.2, 10), 8.7055056, 0.6e-7)
	k := battery.PeukertExponent(20, 5, 10, 9)
	within(t, "exponent", k, 1.1792496, 0.6e-7)
	within(t, "I1^k t1", math.Pow(5, k)*20, 133.44124, 0.6e-5)
	within(t, "I2^k t2", math.Pow(9, k)*10, 133.44124, 0.6e-5)
	within(t, "k = 1", battery.PeukertOneAmpere(100, 1, 4), 25, 1e-12)
	within(t, "k = 1, rated", battery.PeukertRated(100, 20, 1, 4), 25, 1e-12)
}

// SD-01, SD-03 and SD-04 of the published check values; the year is 8766 h.
func TestSelfDischarge(t *testing.T) {
	within(t, "ten years at 1.5 % keep", math.Pow(1-0.015, 10), 0.85973, 0.6e-5) // SD-01, compounded; a maker's figure
	c := &battery.Cell{CapacityCoulomb: 0.225 * 3600, SelfDischarge: [2]float64{0.01, 0.01}}
	within(t, "leak", c.LeakAmps(), 0.256674e-6, 0.6e-12)
	h := battery.LeakingHours(0.225*3600, 0.01, 10e-6)
	within(t, "leaking hours", h, 21936.94, 0.006)
	within(t, "leaking years", h/battery.YearHours, 2.502503, 0.6e-6)
	within(t, "without", battery.LeakingHours(0.225*3600, 0, 10e-6)/battery.YearHours, 2.566735, 0.6e-6)
	within(t, "fading years", battery.FadingHours(0.225*3600, 0.01, 10e-6)/battery.YearHours, 2.534348, 0.6e-6)
	within(t, "fading without", battery.FadingHours(0.225*3600, 0, 10e-6)/battery.YearHours, 2.566735, 0.6e-6)

	// the cell itself, stepped by the hour, runs out at the time of the leaking model
	flat, _ := battery.NewTable([]float64{0, 1}, []float64{3, 3}, battery.Linear)
	c.OCV = flat
	s := c.At(1)
	r := c.Discharge(&s, battery.Draw{Amps: 10e-6}, 3600, battery.Until{})
	within(t, "stepped hours", r.Seconds/3600, h, 1)
	within(t, "leaked mAh", s.Leaked.Value()/3.6, 0.256674e-3*h, 1e-3)
}

// BA-01 to BA-07 of the published check values. The year or month that each source used is in its name.
func TestLifeFromAMeanCurrent(t *testing.T) {
	const uAh, mAh = 3.6e-3, 3.6
	q, mean := battery.Cycle([]battery.Phase{{1.5e-6, 59.988}, {5e-3, 0.5e-3}, {1.8e-3, 3e-3}, {8.5e-3, 3.6e-3}, {4.2e-3, 1.5e-3}, {2.0e-3, 0.4e-3}})
	within(t, "BA-01 uAh", q/uAh, 0.0376617, 0.6e-7)
	within(t, "BA-01 uA over 60 s", q/60*1e6, 2.2597, 0.6e-4)
	within(t, "BA-01 mean over its own 59.997 s", mean*1e6, 2.2597*60/59.997, 1e-4)
	within(t, "BA-02 hours of the printed 2.25 uA", battery.LeakingHours(230*mAh, 0, 2.25e-6), 102222, 0.6)
	within(t, "BA-02 years of 8760 h", battery.LeakingHours(230*mAh, 0, 2.25e-6)/8760, 11.67, 0.006)
	within(t, "BA-02 hours", battery.LeakingHours(230*mAh, 0, q/60), 101783, 1)

	_, mean = battery.Cycle([]battery.Phase{{28e-3, 0.65}, {31e-3, 50e-3}, {120e-6, 900}})
	within(t, "BA-03 mA", mean*1e3, 0.14183413, 0.6e-8)
	within(t, "BA-03 hours", battery.LeakingHours(2000*mAh, 0, mean), 14100.98, 0.006)
	within(t, "BA-03 months of 720 h", battery.LeakingHours(2000*mAh, 0, mean)/720, 19.6, 0.06)

	_, mean = battery.Cycle([]battery.Phase{{120e-3, 400}, {10e-6, 86000}})
	within(t, "BA-04 days", battery.LeakingHours(1000*mAh, 0, mean)/24, 73.680, 0.3)

	daily := 18*0.0667 + 0.024
	within(t, "BA-05 mAh a day", daily, 1.224, 0.001)
	days := battery.LeakingHours(6000*mAh, 0, 1.224*mAh/86400) / 24 // the source rounds the mAh of a day first
	within(t, "BA-05 days", days, 4902, 0.5)
	within(t, "BA-05 years of 8766 h", days*24/battery.YearHours, 13.4, 0.05)

	q, _ = battery.Cycle([]battery.Phase{{0.05e-3, 3473}, {56e-3, 120}, {0.44e-3, 6}})
	within(t, "BA-06 mAh", q/mAh, 1.915636, 0.6e-6)
	q, _ = battery.Cycle([]battery.Phase{{10e-6, 8760 * 3600}})
	within(t, "BA-07 mAh in 8760 h", q/mAh, 87.6, 1e-9)
}

// Many small steps lose nothing: the count is whole at the end, and the naive sum is shown to lose.
func TestCoulombCountKeepsItsTail(t *testing.T) {
	steps := 20_000_000
	if os.Getenv("FOURWIRE_LONG") != "" {
		steps = 1_000_000_000
	}
	sum, naive := battery.Sum{High: 1e6}, 1e6 // a count that has been running for long
	for range steps {
		sum.Add(1e-6)
		naive += 1e-6
	}
	want := 1e6 + float64(steps)*1e-6
	if got := sum.Value(); math.Abs(got-want) > 1e-9 {
		t.Errorf("%d steps of 1 uC: lost %.3g C", steps, want-got)
	}
	if math.Abs(naive-want) < 1e-6 {
		t.Error("the naive sum is as good: this test shows nothing")
	}
	t.Logf("%d steps: compensated off by %.3g C, naive by %.3g C", steps, sum.Value()-want, naive-want)

	c := &battery.Cell{CapacityCoulomb: 1e5, OCV: battery.Constant(3)}
	s := c.At(1)
	for range 1_000_000 {
		c.Step(&s, 1e-3, 1e-3)
	}
	within(t, "charge of the state", s.Charge, 1-1.0/1e5, 1e-15)

	c.CapacityCoulomb = 2e6
	s = c.At(1)
	s.Drawn = battery.Sum{High: 1e6} // as it stands after a long life
	for range 1_000_000 {
		c.Step(&s, 1e-3, 1e-3)
	}
	within(t, "charge after a long life", s.Charge, 0.5-1.0/2e6, 1e-13)
}

// A held current may be stepped in one go or in a thousand.
func TestStepsAreExactForAHeldCurrent(t *testing.T) {
	flat := battery.Constant(3.7)
	c := &battery.Cell{CapacityCoulomb: 1e9, OCV: flat, Ohm: battery.Constant(0.05), Pairs: []battery.Pair{
		{battery.Constant(0.02), 20}, {battery.Constant(0.03), 600}, {battery.Constant(0.01), 0.5}}}
	one, many := c.At(1), c.At(1)
	c.Step(&one, 2, 100)
	for range 1000 {
		c.Step(&many, 2, 0.1)
	}
	for k := range one.PairVolts {
		within(t, "pair", one.PairVolts[k], many.PairVolts[k], 1e-13)
		within(t, "closed form", one.PairVolts[k], 2*c.Pairs[k].Ohm.At(1)*(1-math.Exp(-100/c.Pairs[k].TauSeconds)), 1e-15)
	}
	c.Step(&one, 0, 1e6)
	within(t, "at rest", c.Terminal(&one, 0), 3.7, 1e-12)
}

// Charging is drawing with the other sign; what the efficiency takes is counted as lost.
func TestChargingTurnsEverythingRound(t *testing.T) {
	c := liion(t)
	s := c.At(0.5)
	rest := c.Behind(&s)
	if v := c.Terminal(&s, -2); math.Abs(v-(rest+0.06)) > 1e-12 {
		t.Errorf("2 A in: %g V over %g V", v, rest)
	}
	for range 900 {
		c.Step(&s, -2, 1)
	}
	within(t, "charge", s.Charge, 0.6, 1e-12)
	if s.PairVolts[0] >= 0 || s.Joules.Value() >= 0 {
		t.Errorf("pairs %v, %g J", s.PairVolts, s.Joules.Value())
	}
	c.Efficiency = 0.99
	s = c.At(0.5)
	for range 900 {
		c.Step(&s, -2, 1)
	}
	within(t, "charge at 99 %", s.Charge, 0.599, 1e-12)
	// a power put in has a current too: i < 0 with the voltage above that behind the resistance
	i, err := c.CurrentFor(&s, -10)
	if err != nil || i >= 0 || math.Abs(c.Terminal(&s, i)*i+10) > 1e-9 {
		t.Errorf("-10 W: %g A, %v", i, err)
	}
}

// Arrhenius factor: 25 kJ/mol is 2.52 times at 0 degC (published, reference 298.15 K).
func TestTemperatureOfTheResistance(t *testing.T) {
	c := liion(t)
	c.ActivationJoulePerMole = 25e3
	within(t, "0 degC", c.Resistance(1, 273.15)/0.030, 2.52, 0.006)
	within(t, "25 degC", c.Resistance(1, 298.15), 0.030, 1e-15)
	within(t, "not stated", c.Resistance(1, 0), 0.030, 1e-15)
	c.CapacityScale, c.OhmScale = 0.8, 2
	within(t, "aged resistance", c.PulseResistance(1, 0, math.Inf(1)), 0.110, 1e-12)
	s := c.At(1)
	r := c.Discharge(&s, battery.Draw{Amps: 0.01}, 60, battery.Until{})
	if ah := r.Coulomb / 3600; ah > 4 || ah < 3.9 {
		t.Errorf("an aged cell gave %g Ah of 4", ah)
	}
}

func ExampleCell_Step() {
	ocv, _ := battery.Rising([]float64{0, 0.1, 1}, []float64{2.0, 2.7, 3.3}, battery.Linear)
	c := battery.Cell{CapacityCoulomb: 3600, OCV: ocv, Ohm: battery.Constant(0.5), Pairs: []battery.Pair{{Ohm: battery.Constant(0.3), TauSeconds: 10}}}
	s := c.At(1)
	fmt.Printf("at once %.3f V", c.Terminal(&s, 0.1))
	c.Step(&s, 0.1, 60)
	fmt.Printf(", after a minute %.3f V, %.2f %% left\n", c.Terminal(&s, 0.1), 100*s.Charge)
	// Output: at once 3.250 V, after a minute 3.219 V, 99.83 % left
}

// A cell that is cut off under a pulse recovers by itself without load, and only from its recovery voltage on.
func TestCutOffIsALatch(t *testing.T) {
	c := liion(t)
	c.RecoverVolts = 3.0
	s := c.At(0.05)
	volts := c.Terminal(&s, 15)
	if volts >= 2.8 || !c.Guard(&s, volts) {
		t.Fatalf("15 A at 5 %%: %g V, off %v", volts, s.Off)
	}
	if !c.Guard(&s, 2.95) {
		t.Error("it came back below its recovery voltage")
	}
	if c.Guard(&s, c.Terminal(&s, 0)) {
		t.Errorf("it stays off at %g V", c.Terminal(&s, 0))
	}
	c.RecoverVolts = 0
	c.Guard(&s, 2.7)
	if !c.Guard(&s, 4.2) {
		t.Error("without a recovery voltage it came back")
	}
}

// A saved state goes on as if it had never been saved.
func TestStateSurvivesJSON(t *testing.T) {
	c := liion(t)
	a := c.At(0.9)
	for range 1000 {
		c.Step(&a, 0.333, 0.7)
	}
	text, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	var b battery.State
	if err := json.Unmarshal(text, &b); err != nil {
		t.Fatal(err)
	}
	for range 1000 {
		c.Step(&a, 1.5, 0.7)
		c.Step(&b, 1.5, 0.7)
	}
	if c.Terminal(&a, 1) != c.Terminal(&b, 1) || a.Charge != b.Charge || a.Drawn != b.Drawn {
		t.Errorf("%+v\n%+v", a, b)
	}
}

// Between points no interpolation leaves the values of its neighbours, and the slope is that of the curve.
func TestInterpolationIsMonotone(t *testing.T) {
	points := columns(t, "ocv-lfp-10pt.csv")
	for _, how := range []battery.Interpolation{battery.Linear, battery.Cubic} {
		table, err := battery.Rising(points["soc"], points["ocv_V"], how)
		if err != nil {
			t.Fatal(err)
		}
		before := -1.0
		for i := range 10001 {
			s := float64(i) / 10000
			v := table.At(s)
			if v < before {
				t.Fatalf("%s: falls at %g", how, s)
			}
			before = v
			const d = 1e-7
			if i%97 == 1 {
				slope := (table.At(s+d) - table.At(s-d)) / (2 * d)
				within(t, how.String()+" slope", table.Slope(s), slope, 1e-3*math.Abs(slope)+1e-5)
			}
		}
		for i, s := range points["soc"] {
			within(t, "at a point", table.At(s), points["ocv_V"][i], 1e-12)
		}
	}
}

func BenchmarkStep(b *testing.B) {
	c := liion(b)
	s := c.At(1)
	for b.Loop() {
		c.Step(&s, 1e-6, 1e-3)
	}
}

func BenchmarkTerminal(b *testing.B) {
	c := liion(b)
	s := c.At(0.63)
	sum := 0.0
	for b.Loop() {
		sum += c.Terminal(&s, 0.1)
	}
	if sum == 0 {
		b.Error("0 V")
	}
}
