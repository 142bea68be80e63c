package plan_test

import (
	"fmt"
	"strings"
	"testing"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// oneLimit is a plan in which one ability of the bench is a little too small, or just large enough.
type oneLimit struct {
	name       string
	bad, good  float64 // of the quantity that set changes, in SI units
	set        func(c *caseOf, x float64)
	kind, sums string // what the refusal names, and its arithmetic
}

// caseOf is the plan before anything is wrong: 16 V and 4 A into a device, 30 A at 5 V out of it.
type caseOf struct {
	source  model.SourceSpec
	load    model.LoadSpec
	meters  []bench.Wire
	models  map[string]*model.Model
	remote  bool
	lead    float64 // of the source
	loop    float64 // inductance of the load's leads
	feed    float64 // inductance of the source's leads
	ambient float64
	yaml    string
}

const oneLimitPlan = `
needs:
  feed: {role: source, node: dut.in, volts: 0..16 V, amps: 0..4 A}
  sink: {role: load, node: dut.out, amps: 0..30 A, at_volts: 5 V}
guard:
  dut.in: {volts: ..18 V, amps: ..5 A}
  dut.out: {volts: ..6 V, amps: ..35 A}
steps:
  - {source: feed, volts: 16 V, amps: 4 A}
  - {load: sink, hold: 30 A}
`

func newCase() *caseOf {
	return &caseOf{
		source: model.SourceSpec{Volts: span("0..40 V"), Amps: span("0..10 A"), SenseVolts: 1, OverVolts: span("1..44 V"), OverAmps: span("0.1..11 A"), OverVoltsAt: "sense", SetAmps: model.Setting{Offset: 5e-3}},
		load:   model.LoadSpec{Volts: span("0..80 V"), Amps: span("0..60 A"), MaxWatts: 400, ConstVolts: true, Ohms: span("0.1 ohm..1 kohm"), Watts: span("1..400 W")},
		models: map[string]*model.Model{}, yaml: oneLimitPlan,
	}
}

func (c *caseOf) change(old, now string) {
	if !strings.Contains(c.yaml, old) {
		panic("the plan does not say " + old)
	}
	c.yaml = strings.Replace(c.yaml, old, now, 1)
}

// meter puts one into the wiring; its ranges are those given.
func (c *caseOf) meter(name, node string, as bench.Use, r ...model.Range) {
	m := &model.Model{Channels: []model.Channel{{Number: 1}}}
	if as == bench.Ammeter {
		m.Channels[0].Amps = r
	} else {
		m.Channels[0].Volts = r
	}
	c.models[name] = m
	c.meters = append(c.meters, bench.Wire{Instrument: name, Channel: 1, Node: node, As: as})
}

func (c *caseOf) bind(t *testing.T, o plan.Options) (*plan.Plan, []diag.Finding) {
	t.Helper()
	var found diag.Findings
	seq := sequence.Read("test.yaml", []byte("fourwire: sequence/1\ntitle: test\n"+c.yaml), nil, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	found = diag.Findings{}
	c.models["psu"] = &model.Model{Channels: []model.Channel{{Number: 1, Source: &c.source}}}
	c.models["eload"] = &model.Model{Channels: []model.Channel{{Number: 1, Load: &c.load}}}
	sense := bench.Local
	if c.remote {
		sense = bench.Remote
	}
	b := &bench.Bench{AmbientKelvin: c.ambient, Wiring: append([]bench.Wire{
		{Instrument: "psu", Channel: 1, Node: "dut.in", As: bench.Source, Sense: sense, LeadOhm: c.lead, LoopHenry: c.feed},
		{Instrument: "eload", Channel: 1, Node: "dut.out", As: bench.Load, Sense: bench.Local, LoopHenry: c.loop},
	}, c.meters...)}
	return plan.BindWith(seq, b, c.models, o, &found), found.List()
}

const converter = `
device: {kind: converter, in: dut.in, out: dut.out, output: 5 V, efficiency: 80 %..90 %, starts_at: 4.5 V, stops_at: 4.2 V, input_capacitance: 100 uF}
`

// oneLimits: the arithmetic of each case is by hand, from the formulas of equipment selection (common practice of the trade: the
// envelope at the terminals, I_lim >= 1.2 P/(efficiency V_uvlo) + C dV/dt, V_min(I) = max(V0, I Ron), slew = (V_avail - V_min)/L,
// step <= a tenth of the smallest increment, offset/I_min <= target, tolerance/U).
func oneLimits() []oneLimit {
	volts := func(x float64) quantity.Span { return quantity.Span{High: x, Dim: quantity.Voltage, Set: true} }
	amps := func(x float64) quantity.Span { return quantity.Span{High: x, Dim: quantity.Current, Set: true} }
	reading := func(full, offset float64) model.Range {
		return model.Range{Full: full, Over: 0.1, Accuracy: model.Accuracy{Offset: offset}}
	}
	burden := func(ohm float64) model.Range { return model.Range{Full: 40, ResistanceOhm: ohm} }
	device := func(c *caseOf) {
		c.yaml = converter + c.yaml
		c.change("hold: 30 A", "hold: 3 A")
		c.change("volts: 16 V", "volts: 6 V")
	}
	return []oneLimit{
		{"source volts", 15.9, 16.1, func(c *caseOf, x float64) { c.source.Volts = volts(x) }, "volts", "16 V of 15.9 V"},
		{"source amps", 3.9, 4.1, func(c *caseOf, x float64) { c.source.Amps = amps(x); c.change("amps: ..5 A", "amps: ..8 A") }, "amps", "4 A of 3.9 A"},
		{"source power", 63, 65, func(c *caseOf, x float64) { c.source.MaxWatts = x }, "watts", "64 W of 63 W"},
		{"power derating", 45, 43, func(c *caseOf, x float64) {
			c.source.MaxWatts, c.ambient, c.source.Derating = 70, 273.15+x, model.Derating{AboveKelvin: 313.15, PerKelvin: 0.02}
		}, "derating", "64 W of 63 W"},
		{"quadrant", 1, 2, func(c *caseOf, x float64) { c.source.Quadrants = []int{1, int(x)}; c.change("0..4 A", "-4..4 A") }, "quadrant", "takes in at positive voltage"},
		{"sense drop", 0.26, 0.24, func(c *caseOf, x float64) { c.remote, c.lead = true, x }, "sense", "4 A x 260 mohm = 1.04 V of 1 V"},
		{"burden in the source's line", 0.06, 0.04, func(c *caseOf, x float64) {
			c.remote, c.lead = true, 0.2
			c.meter("amm", "dut.in", bench.Ammeter, burden(x))
		}, "burden", "4 A x (200 mohm + 60 mohm of amm) = 1.04 V of 1 V"},
		{"protection range", 18.1, 17.9, func(c *caseOf, x float64) { c.source.OverVolts.Low = x }, "protection", "protection at 18 V, it starts at 18.1 V"},
		{"over-voltage protection below what is set", 0.26, 0.24, func(c *caseOf, x float64) {
			c.remote, c.lead, c.source.SenseVolts, c.source.OverVoltsAt = true, x, 2, "terminals"
		}, "protection", "18.08 V at the terminals"},
		{"over-current protection below the limit", 4.001, 4.01, func(c *caseOf, x float64) { c.source.OverAmps.High = x }, "protection", "4.005 A set as the limit"},
		{"current limit at the lowest line", 3.74, 3.76, func(c *caseOf, x float64) {
			device(c) // 1.2 x 15 W / (0.8 x 6 V) = 3.75 A
			c.change("amps: 4 A", fmt.Sprintf("amps: %g A", x))
		}, "current limit", "1.2 x 15 W / (80 % x 6 V) = 3.75 A of 3.74 A"},
		{"current limit at under-voltage lock-out", 2.24, 2.26, func(c *caseOf, x float64) {
			device(c) // 1.2 x 5 W / (0.8 x 4.2 V) + 100 uF x 4.6 V/ms = 1.786 A + 0.46 A
			c.source.SlewUp = 4600
			c.change("hold: 3 A", "hold: 1 A")
			c.change("  - {source: feed, volts: 6 V, amps: 4 A}\n", fmt.Sprintf("  - {source: feed, volts: 3 V, amps: %g A}\n", x))
			c.yaml += "  - {source: feed, volts: 16 V}\n"
		}, "start-up", "1.2 x 5 W / (80 % x 4.2 V) + 100 uF x 4.6 V/ms = 2.246 A of 2.24 A"},
		{"load volts", 5.9, 6.1, func(c *caseOf, x float64) { c.load.Volts = volts(x) }, "volts", "6 V of 5.9 V"},
		{"load amps", 29.9, 30.1, func(c *caseOf, x float64) { c.load.Amps = amps(x) }, "amps", "30 A of 29.9 A"},
		{"load power", 179, 181, func(c *caseOf, x float64) { c.load.MaxWatts = x }, "watts", "180 W of 179 W"},
		{"load derating", 46, 44, func(c *caseOf, x float64) {
			c.load.MaxWatts, c.ambient, c.load.Derating = 200, 273.15+x, model.Derating{AboveKelvin: 313.15, PerKelvin: 0.02}
		}, "derating", "180 W of 176 W"},
		{"minimum voltage curve", 0.17, 0.16, func(c *caseOf, x float64) { c.load.MinOhms = x }, "minimum voltage", "behind 170 mohm that carries 29.4118 A, 30 A asked"},
		{"burden in the load's line", 0.01, 0.005, func(c *caseOf, x float64) {
			c.load.MinOhms = 0.16 // 5 V - 30 A x 10 mohm = 4.7 V, / 160 mohm = 29.375 A
			c.meter("amm", "dut.out", bench.Ammeter, burden(x))
		}, "burden", "10 mohm of amm) = 4.7 V at the load; behind 160 mohm that carries 29.375 A"},
		{"load resistance range", 0.41, 0.39, func(c *caseOf, x float64) { c.load.Ohms.Low = x; c.change("hold: 30 A", "hold: 0.4 ohm") }, "ohms", "400 mohm of 410 mohm..1 kohm"},
		{"load power levels", 110, 90, func(c *caseOf, x float64) { c.load.Watts.Low = x; c.change("hold: 30 A", "hold: 100 W") }, "watts", "100 W asked, levels start at 110 W"},
		{"slew through the leads", 10e-6, 8e-6, func(c *caseOf, x float64) {
			c.load.MinVolts, c.loop = 0.5, x
			c.change("at_volts: 5 V", "at_volts: 5 V, slew: 0.5 A/us")
		}, "slew", "(5 V - 500 mV) / 10 uH = 450 mA/us through the leads"},
		{"slew of the load", 0.4e6, 0.6e6, func(c *caseOf, x float64) {
			c.load.Slew = x
			c.change("at_volts: 5 V", "at_volts: 5 V, slew: 0.5 A/us")
		}, "slew", "of the load's own 400 mA/us"},
		{"slew of the source", 900, 1100, func(c *caseOf, x float64) {
			c.source.SlewDown = x
			c.change("amps: 0..4 A", "amps: 0..4 A, slew: 1 V/ms")
		}, "slew", "900 V/s on the way down"},
		{"setting resolution", 1e-3, 0.4e-3, func(c *caseOf, x float64) {
			c.source.SetVolts.Resolution = x
			c.yaml += "  - {source: feed, volts: 15.995 V}\n"
		}, "resolution", "settings step by 1 mV; the smallest planned increment is 5 mV, a tenth of it 500 uV"},
		{"setting accuracy at light load", 3e-3, 1e-3, func(c *caseOf, x float64) {
			c.load.SetAmps.Offset = x // 3 mA on 150 mA is 2 %
			c.change("at_volts: 5 V", "at_volts: 5 V, accuracy: 1 %")
			c.change("hold: 30 A", "hold: 150 mA")
		}, "accuracy", "3 mA) / 150 mA = 2 %, 1 % is wanted"},
		{"offset of a meter at light load", 3e-3, 1e-3, func(c *caseOf, x float64) { // U = 2 x 3 mA / sqrt(3) = 3.46 mA of 150 mA
			c.meter("amm", "dut.out", bench.Ammeter, reading(3, x))
			c.change("guard:", "  io: {role: meter, node: dut.out, amps: 0..3 A, accuracy: 1 %}\nguard:")
			c.change("hold: 30 A", "hold: 150 mA")
			c.yaml += "  - measure: {io: i(dut.out)}\n"
		}, "accuracy", "U 3.46 mA of 150 mA on its 3 A range (0 % of the reading and 3 mA) is 2.31 %, 1 % is wanted"},
		{"meter range", 14, 15, func(c *caseOf, x float64) { // 10 % beyond full scale: 15.4 V and 16.5 V
			c.meter("dmm", "dut.in", bench.Voltmeter, reading(x, 1e-3))
			c.yaml += "  - measure: {vi: v(dut.in)}\n"
		}, "", "16 V expected, its largest range ends at 15.4 V"},
		{"tolerance against uncertainty", 60e-3, 20e-3, func(c *caseOf, x float64) { // U = 2 x 60 mV / sqrt(3) = 69.3 mV
			c.meter("dmm", "dut.in", bench.Voltmeter, reading(20, x))
			c.yaml += "  - measure: {vi: v(dut.in)}\n  - judge: {limit: 15.95 V <= vi <= 16.05 V}\n"
		}, "", "(16.05 V - 15.95 V) / 2 / 69.3 mV = 0.722"},
	}
}

func TestOneLimitTooSmallIsRefusedAndItsNeighbourPasses(t *testing.T) {
	cases := oneLimits()
	if len(cases) < 20 {
		t.Fatalf("%d cases", len(cases))
	}
	for _, l := range cases {
		t.Run(l.name, func(t *testing.T) {
			c := newCase()
			l.set(c, l.bad)
			p, found := c.bind(t, plan.Options{})
			refused := ""
			for _, f := range found {
				if !f.Warning {
					refused += f.Error() + "\n"
				}
			}
			if !strings.Contains(refused, l.sums) || !strings.Contains(refused, l.kind) || p.Fit.Verdict != plan.Misfits {
				t.Errorf("%s: refused by %q, want %s and %q", p.Fit.Verdict, refused, l.kind, l.sums)
			}
			c = newCase()
			l.set(c, l.good)
			p, found = c.bind(t, plan.Options{})
			if diag.Failed(found) || p.Fit.Verdict == plan.Misfits {
				t.Errorf("the neighbour is refused, %s: %v\n%s", p.Fit.Verdict, found, p.Fit.Text())
			}
		})
	}
}

// What can only spoil a result is accepted with a reason; what protects device and instruments is not.
func TestAcceptedMisfits(t *testing.T) {
	acceptable := map[string]bool{"": true}
	for _, kind := range []string{"minimum voltage", "burden", "sense", "slew", "resolution", "accuracy", "current limit", "start-up"} {
		acceptable[kind] = true
	}
	for _, l := range oneLimits() {
		c := newCase()
		l.set(c, l.bad)
		p, found := c.bind(t, plan.Options{Accept: "first look"})
		want := acceptable[l.kind] && l.name != "meter range"
		if diag.Failed(found) == want {
			t.Errorf("%s: accepted %v, want %v: %v", l.name, !diag.Failed(found), want, found)
		}
		if p.Fit.Verdict != plan.Misfits || p.Fit.Accepted != "first look" {
			t.Errorf("%s: the fit says %s, accepted for %q", l.name, p.Fit.Verdict, p.Fit.Accepted)
		}
		if want && len(p.Roles) > 0 && (p.Roles[0].Channel.Instrument == "" || p.Roles[1].Channel.Instrument == "") {
			t.Errorf("%s: a role is not served: %+v", l.name, p.Roles)
		}
	}
}

// 12 V, 60 W out at an efficiency of 0.9: Rn = -(12 V)^2/(60 W/0.9) = -2.16 ohm; 2 uH of leads with 20 uF needs more than 46 mohm
// in series: L/(C |Rn|) < Rs < |Rn|, derived from a series R-L that feeds C in parallel with -|Rn|.
func TestLeadsThatOscillateWithTheConverter(t *testing.T) {
	for _, x := range []struct {
		lead float64
		want string
	}{{0.022, "2 uH / (20 uF x 2.16 ohm) = 46.3 mohm is more than the 44 mohm in series"}, {0.024, ""}, {1.1, "2.2 ohm, more than the converter's input resistance, 2.16 ohm"}} {
		c := newCase()
		c.yaml = `
device: {kind: converter, in: dut.in, out: dut.out, output: 5 V, efficiency: 90 %, input_capacitance: 20 uF}
` + c.yaml
		c.change("hold: 30 A", "hold: 12 A")
		c.change("volts: 16 V, amps: 4 A", "volts: 12 V, amps: 7 A")
		c.change("amps: 0..4 A", "amps: 0..7 A")
		c.change("amps: ..5 A", "amps: ..8 A")
		c.remote, c.lead, c.source.SenseVolts = true, x.lead, 10
		c.feed = 2e-6
		_, found := c.bind(t, plan.Options{})
		text := ""
		for _, f := range found {
			if f.Warning && strings.Contains(f.Text, "leads of feed") {
				text += f.Text
			}
		}
		if diag.Failed(found) || x.want == "" && text != "" || !strings.Contains(text, x.want) {
			t.Errorf("lead %g ohm: %q, want %q; %v", x.lead, text, x.want, found)
		}
	}
}
