package device_test

import (
	"errors"
	"math"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
)

// spiceResults returns the recorded results of one netlist by quantity.
func spiceResults(t *testing.T, netlist string) map[string]float64 {
	t.Helper()
	results := map[string]float64{}
	for _, row := range readTable(t, "testdata/spice/results.csv") {
		if row[0] == netlist {
			results[row[1]] = number(t, row[2])
		}
	}
	if len(results) == 0 {
		t.Fatalf("no recorded results of %s", netlist)
	}
	return results
}

// The recorded results must be what ngspice says of the netlists today. The switching run is left out: it takes seconds
// and is compared with a recorded result only.
func TestRecordedSpiceResults(t *testing.T) {
	binary, err := exec.LookPath("ngspice")
	if err != nil {
		t.Skip("ngspice is not installed, so the recorded results (ngspice 39.3) are taken as they are")
	}
	quantity := regexp.MustCompile(`^([a-z]\w*)\s+=\s+(\S+)`)
	printed := regexp.MustCompile(`^([vi]\(\w+\)) = (\S+)`)
	for _, netlist := range []string{"cpl-dc", "diode-dc", "nmos-level1", "source-lead-rc-diode", "rlc-step", "buck-averaged", "battery-pulse", "node-burst"} {
		t.Run(netlist, func(t *testing.T) {
			output, err := exec.CommandContext(t.Context(), binary, "-b", filepath.Join("testdata", "spice", netlist+".cir")).CombinedOutput()
			// A netlist that prints from its control section ends with status 1, "no simulations run": the numbers decide.
			if exit := (*exec.ExitError)(nil); err != nil && !errors.As(err, &exit) {
				t.Fatal(err)
			}
			want := spiceResults(t, netlist)
			found, label := 0, ""
			for line := range strings.Lines(string(output)) {
				name, text := "", ""
				if rest, ok := strings.CutPrefix(line, "RESULT "); ok {
					label = strings.TrimSpace(rest)
				} else if m := printed.FindStringSubmatch(line); m != nil && label != "" {
					name, text = label+" "+m[1], m[2]
				} else if m := quantity.FindStringSubmatch(line); m != nil {
					name, text = m[1], m[2]
				}
				if value, known := want[name]; known {
					found++
					if got := number(t, text); math.Abs(got-value) > 2e-6*math.Abs(value)+1e-12 {
						t.Errorf("%s is %g today, recorded %g", name, got, value)
					}
				}
			}
			if found != len(want) {
				t.Errorf("found %d of %d recorded quantities in the output:\n%s", found, len(want), output)
			}
		})
	}
}

// thevenin returns a network of a source with the given resistance and one part across it.
func thevenin(volts, ohm float64, part circuit.OnePort) (*circuit.Network, circuit.Node, circuit.Branch) {
	n := circuit.New()
	at := n.AddNode("dut.in")
	n.AddOnePort("source", at, circuit.Ground, &device.SourceOutput{VrefV: volts, IrefA: 1e6, RcvOhm: ohm, On: true})
	b := n.AddOnePort("load", at, circuit.Ground, part)
	return n, at, b
}

func TestSpiceConstantPower(t *testing.T) {
	load := &device.LoadInput{Mode: device.HoldWatts, RminOhm: 1e-3, On: true}
	net, at, _ := thevenin(5, 0.5, load)
	for quantity, want := range spiceResults(t, "cpl-dc") {
		load.Setting = field(t, quantity, "p")
		err := net.SolveHigh()
		if load.Setting > 12.5 { // ngspice itself reports -121 V here, a root on the wrong branch
			if err == nil {
				t.Errorf("%g W solved at %g V, want a collapse", load.Setting, net.Volts(at))
			}
			continue
		}
		if err != nil {
			t.Errorf("%g W: %v", load.Setting, err)
			continue
		}
		near(t, quantity, net.Volts(at), want, 1e-6)
		near(t, "balance", net.Balance().Relative(), 0, 1e-9)
	}
}

func TestSpiceDiode(t *testing.T) {
	d := referenceDiode()
	source := &device.SourceOutput{VrefV: 10, RcvOhm: 1e-3, On: true}
	net := circuit.New()
	at := net.AddNode("anode")
	net.AddOnePort("source", at, circuit.Ground, source)
	net.AddOnePort("diode", at, circuit.Ground, &d)
	amps := map[string]float64{"1u": 1e-6, "10u": 1e-5, "100u": 1e-4, "1m": 1e-3, "10m": 1e-2, "100m": 0.1, "300m": 0.3}
	for quantity, want := range spiceResults(t, "diode-dc") {
		name, _, _ := strings.Cut(strings.TrimPrefix(quantity, "vf_"), " ")
		source.IrefA = amps[name]
		if err := net.SolveHigh(); err != nil {
			t.Errorf("%s: %v", quantity, err)
			continue
		}
		near(t, quantity, net.Volts(at), want, 1e-6)
		near(t, "closed form", d.Forward(source.IrefA), want, 1e-6)
	}
}

func TestSpiceMosfet(t *testing.T) {
	m := &device.Mosfet{GainAPerV2: 0.35, ThresholdV: 2.1, LambdaPerV: 0.02, Celsius: 300 - 273.15}
	drain := &device.SourceOutput{IrefA: 100, RcvOhm: circuit.MinOhm, On: true}
	gate := &device.SourceOutput{IrefA: 1, RcvOhm: 1e-3, On: true}
	net := circuit.New()
	d, g := net.AddNode("drain"), net.AddNode("gate")
	feed := net.AddOnePort("drain source", d, circuit.Ground, drain)
	net.AddOnePort("gate source", g, circuit.Ground, gate)
	net.AddTwoPort("transistor", d, circuit.Ground, g, circuit.Ground, m)
	for quantity, want := range spiceResults(t, "nmos-level1") {
		gate.VrefV, drain.VrefV = field(t, quantity, "vg"), field(t, quantity, "vd")
		if err := net.SolveHigh(); err != nil {
			t.Errorf("%s: %v", quantity, err)
			continue
		}
		if got := net.Amps(feed); math.Abs(got-want) > 2e-5*math.Abs(want)+1e-11 { // 1 uohm of the source, gmin
			t.Errorf("%s is %g A, want %g A", quantity, got, want)
		}
	}
}

func TestSpiceSourceLeadAndDiode(t *testing.T) {
	want := spiceResults(t, "source-lead-rc-diode")
	junction := referenceDiode()
	net := circuit.New()
	s, p, n, d := net.AddNode("source"), net.AddNode("load +"), net.AddNode("load -"), net.AddNode("cathode")
	feed := net.AddOnePort("source", s, circuit.Ground, &device.SourceOutput{VrefV: 5, IrefA: 100, RcvOhm: circuit.MinOhm, On: true})
	net.AddResistor("lead +", s, p, 0.25)
	net.AddResistor("lead -", n, circuit.Ground, 0.25)
	net.AddResistor("load", p, n, 100)
	net.AddOnePort("diode", p, d, &junction)
	net.AddResistor("series", d, n, 47)
	for _, solve := range []func() error{net.SolveHigh, net.SolveLow, net.Solve} {
		if err := solve(); err != nil {
			t.Fatal(err)
		}
		near(t, "load voltage", net.Between(p, n), want["v_load_end"], 1e-6)
		near(t, "source current", net.Amps(feed), want["i_src_end"], 1e-6)
		near(t, "diode voltage", net.Between(p, d), want["v_diode_end"], 1e-6)
		near(t, "resistor voltage", net.Between(d, n), want["v_rd47_end"], 1e-6)
		near(t, "balance", net.Balance().Relative(), 0, 1e-9)
	}
}

// A converter at its largest duty is the open-loop stage of the averaged netlist; with the netlist's dead time it must
// come within 15 uV of the switching run: 21 ns of dead time per edge and the netlist's body diode at that current.
func TestSpiceBuckStage(t *testing.T) {
	body := device.Diode{SaturationA: 1e-12, Emission: 1, SeriesOhm: 10e-3, NominalC: 27, Celsius: 27} // 0.753 V
	stage := func(p *device.BuckParams) {
		p.SetV, p.MaxDuty, p.LimitA = 12, 0.285, 100
		p.RiseS, p.FallS, p.GateC, p.SwitchF, p.RecoveryC, p.CoreW, p.ControllerA = 0, 0, 0, 0, 0, 0, 0
		p.PulseA, p.DeadS, p.BodyV = 0, 0, body.Forward(2.01738)
	}
	run := func(b *device.Buck) device.Truth {
		s := newBench(12, 100, 1e-6, b)
		s.source.RcvOhm, s.source.RccOhm = circuit.MinOhm, 0
		s.load.Mode, s.load.Setting = device.HoldOhms, 1.65-1e-6
		s.settle(t)
		return b.PointAt(s.net.Volts(s.in), s.net.Volts(s.out))
	}
	averaged := spiceResults(t, "buck-averaged")
	truth := run(newBuck(t, func(p *device.BuckParams) { stage(p); p.InductorH = 1 })) // no ripple in an averaged model
	near(t, "averaged output", truth.OutVolts, averaged["vout_dc"], 1e-6)
	near(t, "averaged inductor current", truth.OutAmps, averaged["il_dc"], 1e-6)
	near(t, "averaged input current", -truth.InAmps, averaged["iin_dc"], 2e-6)

	switching := spiceResults(t, "buck-switching")
	truth = run(newBuck(t, func(p *device.BuckParams) { stage(p); p.DeadS = 21e-9 }))
	near(t, "output", truth.OutVolts, switching["vout_avg"], 20e-6/3.33)
	near(t, "output, published closed form", truth.OutVolts, 3.328676, 3e-7)
	near(t, "inductor current", truth.OutAmps, switching["il_avg"], 1e-5)
	near(t, "ripple", truth.RippleAmps, switching["il_pp"], 5e-3) // closed form against simulation, published as 0.2 %
	rms := math.Sqrt(truth.OutAmps*truth.OutAmps + truth.RippleAmps*truth.RippleAmps/12)
	near(t, "rms inductor current", rms, switching["il_rms"], 2e-4)
	near(t, "efficiency", truth.Efficiency, 0.9728, 5e-4) // 6.7153 W / 6.9032 W of the switching run
}

// The averaged netlist in time: inductor and output capacitor with its series resistance, a 1 A load step at 100 us.
func TestSpiceBuckLoadStep(t *testing.T) {
	want := spiceResults(t, "buck-averaged")
	const (
		duty, vin, henry, farad, esr, load = 0.285, 12.0, 4.7e-6, 44e-6, 3e-3, 1.65
		req                                = duty*30e-3 + (1-duty)*20e-3 + 15e-3
		h                                  = 20 * time.Nanosecond
		g                                  = 1/esr + 1/load
		fromCap, fromCoil                  = 1 / esr / g, 1 / g
	)
	o := circuit.NewSecondOrder(-(req+fromCoil)/henry, -fromCap/henry, fromCoil/(esr*farad), (fromCap-1)/(esr*farad), h)
	rest := func(step float64) (coil, out float64) { // DC: out = D Vin - Req IL = R (IL - step)
		coil = (duty*vin + load*step) / (req + load)
		return coil, load * (coil - step)
	}
	coil, out := rest(0)
	near(t, "output before", out, want["vout_dc"], 1e-6)
	coil1, out1 := rest(1)
	dCoil, dCap := coil-coil1, out-out1
	low, lowAt := math.Inf(1), time.Duration(0)
	high := 0.0
	for at := 100*time.Microsecond + 50*time.Nanosecond; at < 2*time.Millisecond; at += h { // mid of the 100 ns edge
		dCoil, dCap = o.Next(dCoil, dCap)
		v := out1 + fromCap*dCap + fromCoil*dCoil
		if v < low {
			low, lowAt = v, at+h
		}
		if at > 105*time.Microsecond && at < 300*time.Microsecond {
			high = max(high, v)
		}
		out = v
	}
	const ofStep = 1e-4 * 0.25
	for _, row := range []struct {
		name       string
		got, limit float64
	}{
		{"vout_min", low, 2 * ofStep}, {"vout_max2", high, ofStep}, {"vout_end", out, ofStep}, {"t_min", lowAt.Seconds(), 40e-9},
	} {
		if math.Abs(row.got-want[row.name]) > row.limit {
			t.Errorf("%s is %.7g, want %.7g", row.name, row.got, want[row.name])
		}
	}
	near(t, "inductor current at the end", dCoil+coil1, want["il_end"], 1e-6)
}

func TestSpiceSecondOrderStep(t *testing.T) {
	want := spiceResults(t, "rlc-step")
	const h = 5 * time.Nanosecond
	o := circuit.NewSeriesOutput(20e-3, 0.3e-6, 94e-6, 3.3, 0, h)
	low, lowAt, high, coil := math.Inf(1), time.Duration(0), 0.0, 0.0
	for at := 10 * time.Microsecond; at < 299*time.Microsecond; at += h {
		load := 1.0
		if at < 10*time.Microsecond+10*time.Nanosecond {
			load = 0.25 + 0.5*float64(at-10*time.Microsecond)/float64(h) // the mean of the 10 ns edge over each step
		}
		v := o.Next(3.3, load)
		coil = max(coil, o.Amps)
		if v < low {
			low, lowAt = v, at+h
		}
		if at > 12*time.Microsecond && at < 60*time.Microsecond {
			high = max(high, v)
		}
	}
	near(t, "v_min", low, want["v_min"], 1e-6)
	near(t, "t_min", lowAt.Seconds(), want["t_min"], 1e-3)
	near(t, "v_max", high, want["v_max"], 1e-6)
	near(t, "v_end", o.Volts, want["v_end"], 1e-6)
	near(t, "il_max", coil, want["il_max"], 1e-5)
}
