package device_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
)

// fixedLoad is a converter with a load current that does not change, seen from its input.
type fixedLoad struct {
	*device.Buck
	amps float64
}

func (f fixedLoad) Current(volts float64) (amps, siemens float64) {
	return f.InputAt(device.BuckPWM, volts, f.amps)
}

func (f fixedLoad) StartVolts() (volts1, volts2 float64) { return math.NaN(), math.NaN() }

// Published check values: the iterates fall monotonically onto the upper root.
func TestNewtonFallsOntoTheUpperRoot(t *testing.T) {
	for _, row := range []struct {
		name       string
		volts, ohm float64
		part       circuit.OnePort
		iterates   []float64
	}{
		{"10 W behind 0.5 ohm", 5, 0.5, &device.LoadInput{Mode: device.HoldWatts, Setting: 10, RminOhm: 1e-3, On: true},
			[]float64{5, 3.75, 3.62069, 3.618035, 3.618034}},
		{"converter behind 5 ohm", 12, 5, fixedLoad{newBuck(t, nil), 2},
			[]float64{12, 8.160436, 7.294163, 7.149621, 7.144081, 7.144072}},
	} {
		t.Run(row.name, func(t *testing.T) {
			net, at, _ := thevenin(row.volts, row.ohm, row.part)
			var seen []float64
			net.Watch = func(volts []float64) { seen = append(seen, volts[at]) }
			if err := net.SolveHigh(); err != nil {
				t.Fatal(err)
			}
			if len(seen) < len(row.iterates) {
				t.Fatalf("iterates %.7g, want %.7g", seen, row.iterates)
			}
			for i, want := range row.iterates {
				near(t, "iterate", seen[i], want, 2e-7)
			}
			near(t, "balance", net.Balance().Relative(), 0, 1e-9)
		})
	}
}

// Closed form: a source of V behind R supports V^2/4R; here 12.5 W.
func TestLoadRampStopsAtTheNose(t *testing.T) {
	load := &device.LoadInput{Mode: device.HoldWatts, RminOhm: 1e-3, On: true}
	net, at, _ := thevenin(5, 0.5, load)
	for load.Setting = 0; load.Setting < 13; load.Setting += 0.1 {
		err := net.Solve()
		var collapse *circuit.Collapse
		switch {
		case load.Setting < 12.499:
			if err != nil {
				t.Fatalf("%g W: %v", load.Setting, err)
			}
			near(t, "voltage", net.Volts(at), (5+math.Sqrt(25-2*load.Setting))/2, 1e-8)
			near(t, "balance", net.Balance().Relative(), 0, 1e-9)
		case load.Setting > 12.501:
			if !errors.As(err, &collapse) || !errors.Is(err, circuit.ErrCollapse) {
				t.Fatalf("%g W: error %v, want a collapse", load.Setting, err)
			}
			near(t, "supported fraction", collapse.Fraction, 12.5/load.Setting, 1e-6)
			if !math.IsNaN(net.Amps(0)) {
				t.Errorf("a failed solution still shows a current of %g A", net.Amps(0))
			}
		}
	}
	load.Setting = 12.6
	if err := net.SolveHigh(); err == nil || !strings.Contains(err.Error(), "the bench supports 99.206 % of the demand of load") {
		t.Errorf("message %v", err)
	}
	load.Setting = 12.5 * (1 - 1e-9) // Newton overshoots so close to the nose; raising the demand in steps still finds it
	if err := net.SolveHigh(); err != nil {
		t.Errorf("just below the nose: %v", err)
	}
	near(t, "voltage just below the nose", net.Volts(at), 2.5, 1e-4)
}

// Published check value: the reference converter at 2 A from 12 V, exact limit 5.2076 ohm at 5.945 V; 6 ohm collapses.
func TestConverterSourceResistanceLimit(t *testing.T) {
	buck := newBuck(t, nil)
	low, high := 5.0, 6.0
	volts := 0.0
	for high-low > 1e-7 {
		ohm := (low + high) / 2
		net, at, _ := thevenin(12, ohm, fixedLoad{buck, 2})
		if err := net.SolveHigh(); err == nil {
			low, volts = ohm, net.Volts(at)
		} else {
			high = ohm
		}
	}
	near(t, "limit", low, 5.2076, 1e-5)
	near(t, "voltage at the limit", volts, 5.945, 1e-3)

	_, siemens := buck.InputAt(device.BuckPWM, 12, 2)
	near(t, "input resistance", 1/siemens, -21.243, 3e-5)
}

// The same limit with the whole bench in the network: the output loaded by an electronic load through a lead.
func TestWholeBenchCollapses(t *testing.T) {
	for _, row := range []struct {
		leadOhm float64
		stands  bool
	}{{5, true}, {5.2, true}, {5.215, false}, {6, false}} {
		buck := newBuck(t, func(p *device.BuckParams) { p.PulseA = 0 })
		s := newBench(12, 10, row.leadOhm-1e-3, buck)
		s.load.Setting = 2
		report := s.settle(t)
		if report.Collapsed == row.stands {
			t.Errorf("behind %g ohm: collapsed %v with %g V at the input", row.leadOhm, report.Collapsed, s.net.Volts(s.in))
		}
		if report.Collapsed && !(s.net.Volts(s.in) < 3 && report.Fraction < 1 && report.Fraction > 0.8) {
			t.Errorf("behind %g ohm: %g V at the input, fraction %g", row.leadOhm, s.net.Volts(s.in), report.Fraction)
		}
	}
}

// Published check values: 5 V behind 0.2 ohm, minimum-voltage line 40 mohm. 31.25 W is exactly the nose.
func TestElectronicLoadOnItsMinimumVoltageLine(t *testing.T) {
	load := &device.LoadInput{Mode: device.HoldWatts, RminOhm: 0.04, On: true}
	net, at, b := thevenin(5, 0.2, load)
	for _, row := range []struct{ watts, volts float64 }{{10, 4.561553}, {30, 3.0}} {
		load.Setting = row.watts
		if err := net.Solve(); err != nil {
			t.Fatal(err)
		}
		near(t, "voltage", net.Volts(at), row.volts, 2e-7)
	}
	load.Setting = 40
	report, err := net.Settle()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "supported fraction", report.Fraction, 31.25/40, 1e-6)
	if text := net.Describe(report); text != "the voltage collapsed: the bench supports 78.1 % of the demand" {
		t.Errorf("said %q", text)
	}
	near(t, "voltage", net.Volts(at), 0.833333, 1e-6)
	near(t, "current", net.Amps(b), 20.8333, 2e-6)
	near(t, "power", net.Watts(b), 17.361, 1e-5)
	if _, _, branch := load.Taken(net.Volts(at)); branch != device.AtMinimumVolts {
		t.Errorf("the load is %v", branch)
	}
	// History: it stays down while both points exist, and comes back when the low one is gone.
	load.Setting = 20
	if _, err := net.Settle(); err != nil || net.Volts(at) > 1 {
		t.Errorf("at 20 W it jumped to %g V (%v), want it to stay down", net.Volts(at), err)
	}
	if err := net.SolveHigh(); err != nil || math.Abs(net.Volts(at)-4) > 1e-9 {
		t.Errorf("from the open circuit at 20 W it is at %g V (%v), want it up", net.Volts(at), err)
	}
	load.Setting = 0.5
	if _, err := net.Settle(); err != nil || net.Volts(at) < 4.9 {
		t.Errorf("at 0.5 W it is at %g V (%v), want it up", net.Volts(at), err)
	}
}
