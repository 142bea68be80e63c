package component_test

import (
	"fmt"

	"fourwire/analysis/component"
)

// Points of a small rectifier, measured with four wires; the last one hit the limit of the source.
func ExampleFitDiode() {
	points := []component.Point{
		{Volts: 0.2712588, Amps: 1e-6}, {Volts: 0.3755037, Amps: 10e-6}, {Volts: 0.4798869, Amps: 100e-6}, {Volts: 0.5847395, Amps: 1e-3},
		{Volts: 0.6941938, Amps: 10e-3}, {Volts: 0.8496562, Amps: 100e-3}, {Volts: 0.9, Amps: 100e-3, Compliance: true},
	}
	d, err := component.FitDiode(points, 300.15)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("Is %.3g A, n %.3f, Rs %.3f ohm from %d points, %d in compliance\n", d.Saturation, d.Ideality, d.Series, d.Counts.Used, d.Counts.Compliance)
	fmt.Printf("%.1f mA at 0.75 V\n", 1e3*d.Amps(0.75))
	// Output:
	// Is 2.52e-09 A, n 1.752, Rs 0.568 ohm from 6 points, 1 in compliance
	// 27.5 mA at 0.75 V
}
