package circuit_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"fourwire/sim/circuit"
)

// thevenin is a voltage source with a resistance, power a constant-power load, and law any other one-port.
type thevenin struct{ volts, ohm float64 }

func (s thevenin) Current(v float64) (float64, float64) { return (v - s.volts) / s.ohm, 1 / s.ohm }
func (s thevenin) StartVolts() (float64, float64)       { return s.volts, math.NaN() }

type power struct{ watts float64 }

func (p *power) Current(v float64) (float64, float64) {
	if v < 0.05 {
		return p.watts / 0.05 * v / 0.05, p.watts / (0.05 * 0.05)
	}
	return p.watts / v, -p.watts / (v * v)
}
func (p *power) DemandsPower() bool { return true }

type law func(v float64) (float64, float64)

func (l law) Current(v float64) (float64, float64) { return l(v) }

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	scale := math.Abs(want)
	if want == 0 {
		scale = 1
	}
	if !(math.Abs(got-want) <= tolerance*scale) {
		t.Errorf("%s is %.12g, want %.12g", what, got, want)
	}
}

func ExampleNetwork() {
	net := circuit.New()
	at := net.AddNode("dut.in")
	source := net.AddOnePort("source", at, circuit.Ground, thevenin{volts: 5, ohm: 0.5})
	load := &power{watts: 10}
	net.AddOnePort("load", at, circuit.Ground, load)
	fmt.Println(net.Solve())
	fmt.Printf("%.6f V, %.6f A delivered\n", net.Volts(at), -net.Amps(source))
	load.watts = 15
	fmt.Println(net.Solve())
	// Output:
	// <nil>
	// 3.618034 V, 2.763932 A delivered
	// the voltage collapses: the bench supports 83.333 % of the demand of load; lower the demand, or raise the source or shorten its leads
}

// Closed form: a ladder of resistors with extreme ratios, 1 mohm and 1 Gohm.
func TestStiffDivider(t *testing.T) {
	net := circuit.New()
	a, b, c := net.AddNode("a"), net.AddNode("b"), net.AddNode("c")
	net.AddOnePort("source", a, circuit.Ground, thevenin{10, 1e-3})
	net.AddResistor("upper", a, b, 1e9)
	low := net.AddResistor("lower", b, circuit.Ground, 1e9)
	net.AddResistor("short", a, c, 1e-3)
	net.AddResistor("load", c, circuit.Ground, 1)
	if err := net.Solve(); err != nil {
		t.Fatal(err)
	}
	near(t, "load", net.Volts(c), 10/1.002, 1e-9)
	near(t, "divider", net.Volts(b), 10*1.001/1.002/(2+1e9*circuit.GminSiemens), 1e-9)
	near(t, "current", net.Amps(low), net.Volts(b)/1e9, 1e-12)
	near(t, "balance", net.Balance().Relative(), 0, 1e-9)
}

// Two-ports against a closed form: a transconductance g into a resistance, and a gyrator that turns a source around.
type gain struct{ siemens float64 }

func (g gain) Currents(v1, v2 float64) (float64, float64, circuit.Slopes) {
	return 0, g.siemens * v1, circuit.Slopes{S21: g.siemens}
}

func TestTwoPort(t *testing.T) {
	net := circuit.New()
	in, out, ret := net.AddNode("in"), net.AddNode("out"), net.AddNode("return")
	net.AddOnePort("source", in, circuit.Ground, thevenin{2, 1})
	b := net.AddTwoPort("amplifier", in, circuit.Ground, out, ret, gain{-0.1})
	net.AddResistor("load", out, ret, 50)
	net.AddResistor("lead", ret, circuit.Ground, 0.1)
	if err := net.Solve(); err != nil {
		t.Fatal(err)
	}
	near(t, "output", net.Between(out, ret), 0.1*2*50, 1e-9)
	near(t, "return", net.Volts(ret), 0, 1e-9)
	near(t, "output current", net.Amps2(b), -0.2, 1e-9)
	near(t, "power", net.Watts(b), -0.2*10, 1e-9)
	near(t, "balance", net.Balance().Relative(), 0, 1e-9)
}

func TestFloatingNodes(t *testing.T) {
	net := circuit.New()
	a, b, c := net.AddNode("a"), net.AddNode("b"), net.AddNode("c")
	net.AddOnePort("source", a, circuit.Ground, thevenin{12, 1e-3})
	lead := net.AddResistor("lead", a, b, 0.05)
	net.AddResistor("between", b, c, 1e-3)
	if err := net.Solve(); err != nil {
		t.Fatal(err)
	}
	if f := net.Floating(); f != nil {
		t.Errorf("nodes %v float while the lead is closed", f)
	}
	near(t, "closed", net.Volts(c), 12, 1e-9)
	if err := net.SetResistor(lead, math.Inf(1)); err != nil {
		t.Fatal(err)
	}
	if err := net.Solve(); err != nil {
		t.Fatal(err)
	}
	if f := fmt.Sprint(net.Floating()); f != fmt.Sprint([]circuit.Node{b, c}) {
		t.Errorf("nodes %v float, want %v and %v", f, b, c)
	}
	if v := net.Volts(c); !(math.Abs(v) <= 12) {
		t.Errorf("the floating node is at %g V", v)
	}
}

// A stiff source between two floating nodes: gmin drowns in the rounding of its conductance, and the current is right
// all the same.
func TestFloatingSource(t *testing.T) {
	net := circuit.New()
	a, b := net.AddNode("a"), net.AddNode("b")
	net.AddOnePort("source", a, b, thevenin{5, 1e-6})
	load := net.AddResistor("load", a, b, 10)
	for _, solve := range []func() error{net.SolveHigh, net.Solve, net.SolveLow} {
		if err := solve(); err != nil {
			t.Fatal(err)
		}
		near(t, "voltage", net.Between(a, b), 5, 1e-6)
		near(t, "current", net.Amps(load), 0.5, 1e-6)
		if len(net.Floating()) != 2 {
			t.Errorf("nodes %v float, want both", net.Floating())
		}
	}
}

func TestBuildingMistakes(t *testing.T) {
	for _, row := range []struct {
		name  string
		build func(*circuit.Network)
	}{
		{"lead has a resistance of 0 ohm", func(n *circuit.Network) { n.AddResistor("lead", n.AddNode("a"), 0, 0) }},
		{"lead has a resistance of NaN ohm", func(n *circuit.Network) { n.AddResistor("lead", n.AddNode("a"), 0, math.NaN()) }},
		{"lead has a resistance of -1 ohm", func(n *circuit.Network) { n.AddResistor("lead", n.AddNode("a"), 0, -1) }},
		{"load is joined to node 7", func(n *circuit.Network) { n.AddOnePort("load", 7, 0, thevenin{1, 1}) }},
		{"amplifier is joined to node -1", func(n *circuit.Network) { n.AddTwoPort("amplifier", n.AddNode("a"), 0, -1, 0, gain{1}) }},
	} {
		net := circuit.New()
		row.build(net)
		for _, err := range []error{net.Err(), net.Solve(), net.SolveLow(), net.SolveHigh()} {
			if err == nil || !strings.Contains(err.Error(), row.name) {
				t.Errorf("error %v, want %q", err, row.name)
			}
		}
	}
}

func TestPartThatIsNotANumber(t *testing.T) {
	net := circuit.New()
	at := net.AddNode("a")
	value := 1.0
	net.AddOnePort("good", at, circuit.Ground, thevenin{5, 1})
	net.AddOnePort("bad", at, circuit.Ground, law(func(v float64) (float64, float64) { return value, 0 }))
	if err := net.Solve(); err != nil {
		t.Fatal(err)
	}
	for _, value = range []float64{math.NaN(), math.Inf(1)} {
		for _, solve := range []func() error{net.Solve, net.SolveHigh, net.SolveLow} {
			if err := solve(); !errors.Is(err, circuit.ErrNotFinite) || !strings.Contains(err.Error(), "bad") {
				t.Errorf("error %v", err)
			}
		}
	}
	near(t, "the voltage before", net.Volts(at), 4, 1e-9)
	if !math.IsNaN(net.Amps(0)) {
		t.Error("a current is shown after a failure")
	}
	value = 1
	if err := net.Solve(); err != nil {
		t.Error(err)
	}
}

// A current source into nothing but gmin has a point, far away; a negative conductance alone has none that is stable.
func TestNoStablePoint(t *testing.T) {
	net := circuit.New()
	at := net.AddNode("a")
	net.AddOnePort("negative", at, circuit.Ground, law(func(v float64) (float64, float64) { return 1 - v, -1 }))
	for _, solve := range []func() error{net.Solve, net.SolveLow} {
		if err := solve(); !errors.Is(err, circuit.ErrNoPoint) || !strings.Contains(err.Error(), "a ") {
			t.Errorf("error %v at %g V", err, net.Volts(at))
		}
	}
}

// A tunnel characteristic has two stable points with an unstable one between: history decides, the unstable one never shows.
func TestBistableCharacteristic(t *testing.T) {
	net := circuit.New()
	at := net.AddNode("a")
	bias := &thevenin{volts: 0, ohm: 1}
	net.AddOnePort("source", at, circuit.Ground, law(func(v float64) (float64, float64) { return (v - bias.volts) / 4, 0.25 }))
	net.AddOnePort("tunnel", at, circuit.Ground, law(func(v float64) (float64, float64) { // cubic: peak at 1 V, valley at 3 V
		return v*v*v/3 - 2*v*v + 3*v, v*v - 4*v + 3
	}))
	at2 := func() float64 {
		t.Helper()
		if _, err := net.Settle(); err != nil {
			t.Fatal(err)
		}
		return net.Volts(at)
	}
	up, down := 0.0, 0.0
	for b := 0.0; b <= 14; b += 0.05 {
		bias.volts = b
		if v := at2(); v > 2.2 && up == 0 {
			up = b
		}
	}
	for b := 14.0; b >= 0; b -= 0.05 {
		bias.volts = b
		if v := at2(); v < 2 && down == 0 {
			down = b
		}
	}
	// Folds where v^2 - 4v + 3.25 = 0: v = 2 -+ sqrt(0.75); the bias there is v + 4 i(v).
	fold := func(v float64) float64 { return v + 4*(v*v*v/3-2*v*v+3*v) }
	if want := fold(2 - math.Sqrt(0.75)); math.Abs(up-want) > 0.06 {
		t.Errorf("jumps up at %g V, want %g V", up, want)
	}
	if want := fold(2 + math.Sqrt(0.75)); math.Abs(down-want) > 0.06 {
		t.Errorf("jumps down at %g V, want %g V", down, want)
	}
}

// relay closes above one voltage and opens below another: two of them on one node show order, memory and chatter.
type relay struct {
	on      circuit.Mode
	in, out float64
	rank    int
	siemens float64
}

func (r *relay) Current(v float64) (float64, float64) {
	g := r.siemens * float64(r.on)
	return g * v, g
}
func (r *relay) Mode() circuit.Mode             { return r.on }
func (r *relay) SetMode(m circuit.Mode)         { r.on = m }
func (r *relay) ModeName(m circuit.Mode) string { return [...]string{"open", "closed"}[m] }
func (r *relay) Rank() int                      { return r.rank }
func (r *relay) Wanted(v, _ float64) circuit.Mode {
	switch {
	case v > r.in:
		return 1
	case v < r.out:
		return 0
	}
	return r.on
}

func TestSettleChangesOneModeAtATime(t *testing.T) {
	net := circuit.New()
	at := net.AddNode("a")
	device := &relay{in: 9, out: 1, rank: 1, siemens: 0.5}
	protection := &relay{in: 9, out: 1, rank: 0, siemens: 1}
	net.AddOnePort("source", at, circuit.Ground, thevenin{10, 1})
	net.AddOnePort("device", at, circuit.Ground, device)
	p := net.AddOnePort("protection", at, circuit.Ground, protection)
	report, err := net.Settle()
	if err != nil {
		t.Fatal(err)
	}
	if len(report.Changes) != 1 || report.Changes[0].Branch != p || device.on != 0 || report.Chatter {
		t.Errorf("changes %v, want only the protection, which takes the reason from the device", report.Changes)
	}
	near(t, "voltage", net.Volts(at), 5, 1e-9)
	if text := net.Describe(report); text != "" {
		t.Errorf("a quiet settling says %q", text)
	}
}

func TestChatterIsAFinding(t *testing.T) {
	net := circuit.New()
	at := net.AddNode("a")
	net.AddOnePort("source", at, circuit.Ground, thevenin{10, 1})
	net.AddOnePort("converter", at, circuit.Ground, &relay{in: 9, out: 6, siemens: 1})
	report, err := net.Settle()
	if err != nil {
		t.Fatal(err)
	}
	want := "chatter: converter goes from open to closed, converter goes from closed to open, and again"
	if text := net.Describe(report); !report.Chatter || text != want {
		t.Errorf("said %q, want %q", text, want)
	}
	near(t, "balance", net.Balance().Relative(), 0, 1e-9)
}
