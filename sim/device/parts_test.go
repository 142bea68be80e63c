package device_test

import (
	"errors"
	"math"
	"testing"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
)

// Published check values: 100 ohm, 100 ppm/K, 250 K/W at 5 V.
func TestResistorHeatsItself(t *testing.T) {
	r := &device.Resistor{OhmAt25: 100, PerK: 100e-6, Heat: device.Heat{AmbientC: 25, KPerWatt: 250}}
	net, _, b := thevenin(5, circuit.MinOhm, r)
	if err := net.Solve(); err != nil {
		t.Fatal(err)
	}
	volts, _ := net.PortVolts(b)
	near(t, "resistance", r.Ohms(volts), 100.6211, 1e-6)
	near(t, "temperature", r.Temperature(volts), 87.11, 1e-4)
	near(t, "current", net.Amps(b), 49.6913e-3, 2e-6)
	near(t, "balance", net.Balance().Relative(), 0, 1e-9)

	r.Held, r.Celsius = true, 125
	near(t, "held at 125 degC", r.Ohms(5), 101, 1e-12)
	for _, k := range []float64{100e-6, -4e-3} {
		warm := device.Resistor{OhmAt25: 100, PerK: k, Heat: device.Heat{AmbientC: 40, KPerWatt: 250}}
		_, slope := warm.Current(3)
		above, _ := warm.Current(3 + 1e-5)
		below, _ := warm.Current(3 - 1e-5)
		near(t, "slope", slope, (above-below)/2e-5, 1e-6)
	}
}

// Published: 1 mA at 0, 27 and 85 degC.
func TestDiodeTemperature(t *testing.T) {
	d := referenceDiode()
	for celsius, want := range map[float64]float64{0: 0.638697, 27: 0.584740, 85: 0.466782} {
		d.Celsius = celsius
		near(t, "forward voltage", d.Forward(1e-3), want, 2e-6)
		amps, _ := d.Current(d.Forward(1e-3))
		near(t, "current there", amps, 1e-3, 1e-12)
	}
}

// Published: a red and a white light-emitting diode at 1 uA, 1, 5 and 20 mA, and a red one on 5 V through 150 ohm.
func TestLightEmittingDiodes(t *testing.T) {
	red := device.Diode{SaturationA: 1e-18, Emission: 1.9, SeriesOhm: 3, NominalC: 27, Celsius: 27}
	white := device.Diode{SaturationA: 5e-21, Emission: 2.5, SeriesOhm: 8, NominalC: 27, Celsius: 27}
	for i, amps := range []float64{1e-6, 1e-3, 5e-3, 20e-3} {
		near(t, "red", red.Forward(amps), []float64{1.35788, 1.70035, 1.79144, 1.90457}[i], 5e-6)
		near(t, "white", white.Forward(amps), []float64{2.12930, 2.58396, 2.72003, 2.92967}[i], 5e-6)
	}
	net, at, b := thevenin(5, 150, &red)
	for _, solve := range []func() error{net.SolveHigh, net.SolveLow} {
		if err := solve(); err != nil {
			t.Fatal(err)
		}
		near(t, "current", net.Amps(b), 20.61400e-3, 1e-6)
		near(t, "voltage", net.Volts(at), 1.907900, 1e-6)
		near(t, "balance", net.Balance().Relative(), 0, 1e-9)
	}
}

func TestDiodeIsDefinedEverywhere(t *testing.T) {
	ideal := device.Diode{SaturationA: 1e-14, Emission: 1, NominalC: 27, Celsius: 27}
	zener := device.Diode{SaturationA: 1e-14, Emission: 1, SeriesOhm: 1, NominalC: 27, Celsius: 27, BreakdownV: 5.1, BreakdownA: 1e-3}
	normal := referenceDiode()
	for _, d := range []device.Diode{ideal, zener, normal} {
		if err := d.Validate(); err != nil {
			t.Fatal(err)
		}
		last := math.Inf(-1)
		for v := -1000.0; v <= 1000; v += 0.37 {
			amps, slope := d.Current(v)
			if math.IsNaN(amps) || math.IsInf(amps, 0) || math.IsNaN(slope) || math.IsInf(slope, 0) || slope < 0 || amps < last {
				t.Fatalf("%+v at %g V: %g A after %g A, %g S", d, v, amps, last, slope)
			}
			last = amps
		}
	}
	amps, _ := zener.Current(-5.1)
	near(t, "breakdown", amps, -1e-3, 0.05) // 1 mA at 5.1 V, less the drop in the series resistance
	bad := normal
	bad.SaturationA = math.NaN()
	if err := bad.Validate(); !errors.Is(err, device.ErrParameter) {
		t.Errorf("saturation current NaN: %v", err)
	}
}

// Published: Vgs 4 V: on-resistance 1.52229 ohm at 50 mV; 0.694925 A and 0.7315 S at 5 V.
func TestMosfet(t *testing.T) {
	m := device.Mosfet{GainAPerV2: 0.35, ThresholdV: 2.1, LambdaPerV: 0.02, Celsius: 300 - 273.15}
	amps, _, _ := m.Drain(0.05, 4)
	near(t, "on-resistance", 0.05/amps, 1.52229, 3e-6)
	amps, _, gm := m.Drain(5, 4)
	near(t, "drain current", amps, 0.694925, 1e-9)
	near(t, "transconductance", gm, 0.7315, 1e-9)
	m.Body = referenceDiode()
	for _, vds := range []float64{-3, -0.5, -0.01, 0.01, 1.89, 1.91, 8} {
		for _, vgs := range []float64{0, 2.09, 2.2, 4} {
			checkSlopes(t, "transistor", m.Currents, vds, vgs)
		}
	}
}
