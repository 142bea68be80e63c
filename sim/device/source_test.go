package device_test

import (
	"math"
	"testing"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
)

// Published check values: 5 V, 1 A, Rcv 1 mohm, Rcc 10 kohm.
func TestSourceCharacteristic(t *testing.T) {
	source := &device.SourceOutput{VrefV: 5, IrefA: 1, RcvOhm: 1e-3, RccOhm: 10e3, On: true}
	net := circuit.New()
	at := net.AddNode("supply")
	feed := net.AddOnePort("source", at, circuit.Ground, source)
	load := net.AddResistor("load", at, circuit.Ground, 10)
	for _, row := range []struct {
		ohm, volts, amps float64
		branch           device.Branch
	}{
		{10, 4.999500, 0.49995, device.ConstantVoltage},
		{5.1, 4.999020, 0.980200, device.ConstantVoltage},
		{5, 4.997501, 0.999500, device.ConstantCurrent},
		{1, 0.999900, 0.9999, device.ConstantCurrent},
		{1e-6, 1e-6, 1, device.ConstantCurrent}, // shorted, closed form
		{math.Inf(1), 5, 0, device.ConstantVoltage},
		{10, 4.999500, 0.49995, device.ConstantVoltage},
	} {
		if err := net.SetResistor(load, row.ohm); err != nil {
			t.Fatal(err)
		}
		if err := net.Solve(); err != nil {
			t.Fatalf("%g ohm: %v", row.ohm, err)
		}
		near(t, "voltage", net.Volts(at), row.volts, 1e-6)
		near(t, "current", -net.Amps(feed), row.amps, 1e-6)
		if _, _, branch := source.Delivered(net.Volts(at)); branch != row.branch {
			t.Errorf("%g ohm: %v, want %v", row.ohm, branch, row.branch)
		}
		near(t, "balance", net.Balance().Relative(), 0, 1e-9)
	}
}

func TestSourceDrivenAboveItsSetPoint(t *testing.T) {
	for _, sinkA := range []float64{0, 0.5, 10} {
		source := &device.SourceOutput{VrefV: 5, IrefA: 1, RcvOhm: 1e-3, RccOhm: 10e3, SinkA: sinkA, On: true}
		other := &device.SourceOutput{VrefV: 8, IrefA: 3, RcvOhm: 1e-3, RccOhm: 10e3, On: true}
		net := circuit.New()
		a, b := net.AddNode("low"), net.AddNode("high")
		feed := net.AddOnePort("low source", a, circuit.Ground, source)
		net.AddOnePort("high source", b, circuit.Ground, other)
		net.AddResistor("lead", a, b, 1)
		if err := net.Solve(); err != nil {
			t.Fatal(err)
		}
		want := min(sinkA, (8-5)/1.002) // closed form: limited by the sink or by the resistances
		if got := net.Amps(feed); math.Abs(got-want) > 1e-6 {
			t.Errorf("able to sink %g A it sinks %g A, want %g A", sinkA, got, want)
		}
		near(t, "balance", net.Balance().Relative(), 0, 1e-9)
	}
}

// sensedBench is a remotely sensed source with a lead resistance each way into a current sink.
func sensedBench(leadOhm, amps float64) (net *circuit.Network, source *device.SensedSource, load *device.LoadInput, n sensedNodes) {
	source = &device.SensedSource{
		SourceOutput:  device.SourceOutput{VrefV: 5, IrefA: 10, RcvOhm: 1e-3, RccOhm: 10e3, On: true},
		CompensationV: 1, SenseInputOhm: 100e3, ProtectOhm: 10,
	}
	load = &device.LoadInput{Mode: device.HoldAmps, Setting: amps, RminOhm: 0.04, On: true}
	net = circuit.New()
	n.plus, n.minus = net.AddNode("terminal +"), net.AddNode("terminal -")
	n.sensePlus, n.senseMinus = net.AddNode("sense +"), net.AddNode("sense -")
	n.far, n.near = net.AddNode("load +"), net.AddNode("load -")
	net.AddResistor("earth", n.near, circuit.Ground, 1e-3)
	n.source = source.Connect(net, "source", n.plus, n.minus, n.sensePlus, n.senseMinus)
	net.AddResistor("lead +", n.plus, n.far, leadOhm)
	net.AddResistor("lead -", n.near, n.minus, leadOhm)
	n.leadPlus = net.AddResistor("sense lead +", n.sensePlus, n.far, 0.5)
	n.leadMinus = net.AddResistor("sense lead -", n.senseMinus, n.near, 0.5)
	net.AddOnePort("load", n.far, n.near, load)
	return net, source, load, n
}

type sensedNodes struct {
	plus, minus, sensePlus, senseMinus, far, near circuit.Node
	source, leadPlus, leadMinus                   circuit.Branch
}

// Published: 5 V, 3 A, 50 mohm per lead: local sensing gives 4.70 V at the load, remote needs 5.30 V at the terminals;
// 0.5 ohm per sense lead into 100 kohm is 10 ppm. The rest is closed form.
func TestRemoteSense(t *testing.T) {
	solve := func(net *circuit.Network) {
		t.Helper()
		if err := net.Solve(); err != nil {
			t.Fatal(err)
		}
		near(t, "balance", net.Balance().Relative(), 0, 1e-9)
	}
	net, _, _, n := sensedBench(50e-3, 3)
	solve(net)
	// Each sense lead carries the sense input current and what the protection resistor brings from the terminal.
	near(t, "remote: at the load", net.Between(n.far, n.near), 5, 4e-3)
	near(t, "remote: at the terminals", net.Between(n.plus, n.minus), 5.30, 4e-3)
	near(t, "remote: sense point", net.Between(n.sensePlus, n.senseMinus), 5-3e-3, 1e-5) // Rcv x 3 A

	for _, b := range []circuit.Branch{n.leadPlus, n.leadMinus} {
		if err := net.SetResistor(b, math.Inf(1)); err != nil {
			t.Fatal(err)
		}
	}
	solve(net) // both open: local, with an error of protection against input resistance
	near(t, "open: at the terminals", net.Between(n.plus, n.minus), (5-3e-3)*(1+20/100e3), 1e-6)
	near(t, "open: at the load", net.Between(n.far, n.near), 4.70, 1e-3)

	net, source, load, n := sensedBench(0.4, 3) // 2.4 V of drop, 1 V of compensation
	solve(net)
	near(t, "limited: at the terminals", net.Between(n.plus, n.minus), 6-3e-3, 1e-5)
	if _, limited := source.Compensating(net.Between(n.plus, n.minus), net.Between(n.sensePlus, n.senseMinus)); !limited {
		t.Error("the compensation limit is not reported")
	}
	source.IrefA = 2
	solve(net)
	amps, branch := source.RegulatedAt(net.Between(n.plus, n.minus), net.Between(n.sensePlus, n.senseMinus))
	if branch != device.ConstantCurrent {
		t.Errorf("%v at %g A", branch, amps)
	}
	source.IrefA, load.Setting = 10, 0
	solve(net)
	near(t, "no load: at the load", net.Between(n.far, n.near), 5, 2e-5)
	source.On = false
	solve(net)
	near(t, "off", net.Between(n.far, n.near), 0, 1e-6)
}

func TestLoadModes(t *testing.T) {
	for _, row := range []struct {
		name   string
		load   device.LoadInput
		volts  float64
		amps   float64
		branch device.LoadBranch
	}{
		{"constant current", device.LoadInput{Mode: device.HoldAmps, Setting: 2}, 5, 2, device.Holding},
		{"constant resistance", device.LoadInput{Mode: device.HoldOhms, Setting: 10}, 5, 0.5, device.Holding},
		{"constant voltage, below", device.LoadInput{Mode: device.HoldVolts, Setting: 6}, 5, 0, device.Holding},
		{"constant voltage, above", device.LoadInput{Mode: device.HoldVolts, Setting: 4.9, SlopeOhm: 0.1}, 5, 1, device.Holding},
		{"constant power", device.LoadInput{Mode: device.HoldWatts, Setting: 10}, 5, 2, device.Holding},
		{"constant power behind its filter", device.LoadInput{Mode: device.HoldWatts, Setting: 10, FilteredV: 4}, 5, 2.5, device.Holding},
		{"150 W at 60 V (published)", device.LoadInput{Setting: 30, MaxW: 150}, 60, 2.5, device.AtMaximumWatts},
		{"150 W at 10 V (published)", device.LoadInput{Setting: 30, MaxW: 150}, 10, 15, device.AtMaximumWatts},
		{"own current limit", device.LoadInput{Setting: 30, MaxA: 20}, 10, 20, device.AtMaximumAmps},
		{"minimum voltage", device.LoadInput{Setting: 2}, 0.04, 1, device.AtMinimumVolts},
		{"zero volts", device.LoadInput{Setting: 2}, 0, 0, device.AtMinimumVolts},
		{"zero volts at constant power", device.LoadInput{Mode: device.HoldWatts, Setting: 2}, 0, 0, device.AtMinimumVolts},
		{"reversed", device.LoadInput{Setting: 2}, -1, -25, device.LoadReversed},
		{"input resistance", device.LoadInput{LeakOhm: 1e6}, 5, 5e-6, device.Holding},
	} {
		t.Run(row.name, func(t *testing.T) {
			row.load.RminOhm, row.load.On = 0.04, true
			if err := row.load.Validate(); err != nil {
				t.Fatal(err)
			}
			amps, _, branch := row.load.Taken(row.volts)
			near(t, "current", amps, row.amps, 1e-12)
			if branch != row.branch {
				t.Errorf("%v, want %v", branch, row.branch)
			}
			row.load.On = false
			if amps, _, branch := row.load.Taken(5); amps > 1e-5 || branch != device.LoadOff {
				t.Errorf("off it takes %g A, %v", amps, branch)
			}
		})
	}
}

// The current never falls below zero and its slope is the slope of its value, also within the blends.
func TestLoadIsSmooth(t *testing.T) {
	load := device.LoadInput{Mode: device.HoldWatts, Setting: 40, RminOhm: 0.04, MaxA: 25, MaxW: 60, On: true}
	const h = 1e-7
	lastSlope := math.NaN()
	for v := 0.001; v < 5; v += 1e-5 {
		a, slope := load.Current(v)
		b, _ := load.Current(v + h)
		c, _ := load.Current(v - h)
		if a < 0 {
			t.Fatalf("%g A at %g V", a, v)
		}
		if difference := (b - c) / (2 * h); math.Abs(difference-slope) > 1e-3*(1+math.Abs(slope)) {
			t.Fatalf("at %g V the slope is %g S, the difference says %g S", v, slope, difference)
		}
		if math.Abs(slope-lastSlope) > 2 { // from 25 S to -32 S within some hundred steps
			t.Fatalf("at %g V the slope jumps from %g S to %g S", v, lastSlope, slope)
		}
		lastSlope = slope
	}
}

// Published: a source limited to 1 A under a load set to 2 A rests at 0.04 V, 1 A.
func TestLoadAboveTheSourceLimit(t *testing.T) {
	load := &device.LoadInput{Setting: 2, RminOhm: 0.04, On: true}
	source := &device.SourceOutput{VrefV: 5, IrefA: 1, RcvOhm: 0.2, On: true}
	net := circuit.New()
	at := net.AddNode("load")
	net.AddOnePort("source", at, circuit.Ground, source)
	b := net.AddOnePort("load", at, circuit.Ground, load)
	report, err := net.Settle()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "voltage", net.Volts(at), 0.04, 1e-9)
	near(t, "current", net.Amps(b), 1, 1e-9)
	if report.Collapsed {
		t.Error("a current limit is no collapse")
	}
}
