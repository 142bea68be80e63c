package device_test

import (
	"fmt"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
)

// The 12 V to 5 V converter of a lake buoy on a bench: a source, two lead resistances, an electronic load.
func ExampleBuck() {
	buck, err := device.NewBuck(device.BuckParams{
		SetV: 5, RegulationOhm: 2e-3, SwitchHz: 500e3, HighOhm: 30e-3, LowOhm: 20e-3, InductorH: 6.8e-6, CopperOhm: 20e-3,
		RiseS: 8e-9, FallS: 8e-9, GateC: 12e-9, DeadS: 20e-9, BodyV: 0.7, ControllerA: 1.5e-3, MaxDuty: 0.95, LimitA: 4.5,
		RiseLockoutV: 7, FallLockoutV: 6.5, Heat: device.Heat{AmbientC: 25},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	net := circuit.New()
	supply, in, out := net.AddNode("supply"), net.AddNode("dut.in"), net.AddNode("dut.out")
	source := &device.SourceOutput{VrefV: 12, IrefA: 2.5, RcvOhm: 1e-3, RccOhm: 10e3, On: true}
	load := &device.LoadInput{Mode: device.HoldAmps, Setting: 2, RminOhm: 0.04, On: true}
	net.AddOnePort("source", supply, circuit.Ground, source)
	net.AddResistor("leads", supply, in, 0.06)
	dut := net.AddTwoPort("converter", in, circuit.Ground, out, circuit.Ground, buck)
	net.AddOnePort("load", out, circuit.Ground, load)

	show := func() {
		if _, err := net.Settle(); err != nil {
			fmt.Println(err)
			return
		}
		truth := buck.PointAt(net.Volts(in), net.Volts(out))
		fmt.Printf("%.3f V in, %.3f V out, %.3f W lost, %s, %s\n", truth.InVolts, truth.OutVolts, net.Watts(dut), truth.Mode, truth.Limit)
	}
	show()
	load.Setting = 6
	show()
	source.VrefV, load.Setting = 6, 0.1
	show()
	// Output:
	// 11.947 V in, 4.996 V out, 0.391 W lost, PWM, regulating
	// 11.990 V in, 0.178 V out, 1.155 W lost, PWM, current limit
	// 6.000 V in, 0.000 V out, 0.000 W lost, under-voltage lock-out, blocked
}
