package plan_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

func span(text string) quantity.Span {
	s, err := quantity.ParseSpan(text)
	if err != nil {
		panic(err)
	}
	return s
}

// source and load are instruments of one channel, changed as a test wants them.
func source(change func(*model.SourceSpec)) *model.Model {
	s := &model.SourceSpec{Volts: span("0..20 V"), Amps: span("0..5 A"), SenseVolts: 1, OverVolts: span("1..22 V"), OverAmps: span("0..6 A"), OverVoltsAt: "sense"}
	if change != nil {
		change(s)
	}
	return &model.Model{Channels: []model.Channel{{Number: 1, Source: s, Volts: ranges("20 V", 1e-3), Amps: ranges("5 A", 1e-3)}}}
}

func load(change func(*model.LoadSpec)) *model.Model {
	l := &model.LoadSpec{Volts: span("0..80 V"), Amps: span("0..40 A"), MaxWatts: 200}
	if change != nil {
		change(l)
	}
	return &model.Model{Channels: []model.Channel{{Number: 1, Load: l, Volts: ranges("80 V", 1e-3), Amps: ranges("40 A", 1e-3)}}}
}

func ranges(full string, gain float64) []model.Range {
	return []model.Range{{Full: quantity.MustParse(full).SI, Over: 0.1, Accuracy: model.Accuracy{Gain: gain}}}
}

func meter() *model.Model {
	return &model.Model{Channels: []model.Channel{{Number: 1, Volts: append(ranges("10 V", 1e-4), ranges("100 V", 1e-4)...), Amps: append(ranges("1 A", 1e-4), ranges("3 A", 1e-4)...)}}}
}

type wiring struct {
	wires  []bench.Wire
	models map[string]*model.Model
}

func (w *wiring) add(name string, m *model.Model, node string, as bench.Use, sense bench.Sense, lead string) *wiring {
	if w.models == nil {
		w.models = map[string]*model.Model{}
	}
	w.models[name] = m
	w.wires = append(w.wires, bench.Wire{Instrument: name, Channel: 1, Node: node, As: as, Sense: sense, LeadOhm: quantity.MustParse(lead).SI})
	return w
}

func bind(t testing.TB, text string, w *wiring) (*plan.Plan, []diag.Finding) {
	t.Helper()
	var found diag.Findings
	seq := sequence.Read("test.yaml", []byte("fourwire: sequence/1\ntitle: test\n"+text), nil, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	found = diag.Findings{}
	p := plan.Bind(seq, &bench.Bench{Wiring: w.wires}, w.models, &found)
	return p, found.List()
}

const lowVoltage = `
needs:
  feed: {role: source, node: dut.in, volts: 0..12 V, amps: 0..4 A}
  sink: {role: load, node: dut.out, amps: 0..30 A, at_volts: 0.8 V}
guard:
  dut.in: {volts: ..15 V, amps: ..5 A}
  dut.out: {volts: ..2 V, amps: ..35 A}
steps:
  - {source: feed, volts: 12 V, amps: 4 A}
  - {load: sink, hold: 30 A}
`

func margin(t *testing.T, f plan.Fit, role, kind string) plan.Margin {
	t.Helper()
	for _, r := range f.Roles {
		if r.Role != role {
			continue
		}
		for _, m := range r.Candidates[0].Margins {
			if m.Kind == kind {
				return m
			}
		}
	}
	t.Fatalf("%s has no margin %q: %+v", role, kind, f.Roles)
	return plan.Margin{}
}

// The worked example of equipment selection by formula: 0.8 V, 30 A, 10 mohm of lead leaves 0.5 V; an on-resistance of 25 mohm
// allows 20 A: it does not fit. With 4 mohm of lead 0.68 V gives 27.2 A: still not. Derived by hand; the curve of a load's
// low end is common practice of the trade.
func TestLoadAtLowVoltage(t *testing.T) {
	for _, c := range []struct {
		lead, ron string
		part      float64
		text      string
	}{
		{"5 mohm", "25 mohm", 1 - 30/20.0, "carries 20 A, 30 A asked"},
		{"2 mohm", "25 mohm", 1 - 30/27.2, "carries 27.2 A, 30 A asked"},
		{"2 mohm", "10 mohm", 1 - 30/68.0, "carries 68 A, 30 A asked"},
	} {
		w := (&wiring{}).add("psu", source(nil), "dut.in", bench.Source, bench.Remote, "1 mohm").
			add("sink", load(func(l *model.LoadSpec) { l.MinOhms = quantity.MustParse(c.ron).SI }), "dut.out", bench.Load, bench.Local, c.lead)
		p, found := bind(t, lowVoltage, w)
		m := margin(t, p.Fit, "sink", "minimum voltage")
		if math.Abs(m.Part-c.part) > 1e-9 || !strings.Contains(m.Text, c.text) {
			t.Errorf("%s, %s: margin %.4f, want %.4f: %s", c.lead, c.ron, m.Part, c.part, m.Text)
		}
		if refused := diag.Failed(found); refused != (c.part < 0) {
			t.Errorf("%s, %s: refused %v: %v", c.lead, c.ron, refused, found)
		}
	}
}

// Every margin by hand; the formulas are those of equipment selection: common practice of the trade.
func TestMargins(t *testing.T) {
	const text = `
needs:
  feed: {role: source, node: dut.in, volts: 0..16 V, amps: 0..4 A}
  sink: {role: load, node: dut.out, amps: 0..30 A, at_volts: 5 V}
guard:
  dut.in: {volts: ..18 V, amps: ..5 A}
  dut.out: {volts: ..6 V, amps: ..35 A}
steps:
  - {source: feed, volts: 16 V, amps: 4 A}
  - {load: sink, hold: HOLD}
`
	for _, c := range []struct {
		name             string
		source           func(*model.SourceSpec)
		load             func(*model.LoadSpec)
		sense            bench.Sense
		lead, hold       string
		role, kind       string
		part             float64
		verdict          plan.Verdict
		text             string
		needLow, needNew string // a change of the needs
	}{
		{name: "volts with remote sense: 16 V and 2 x 4 A x 100 mohm at the terminals of 20 V", role: "feed", kind: "volts", sense: bench.Remote, lead: "100 mohm", part: 1 - 16.8/20, verdict: plan.Tight, text: "16.8 V of 20 V"},
		{name: "volts with local sense", role: "feed", kind: "volts", sense: bench.Local, lead: "100 mohm", part: 0.2, verdict: plan.Tight, text: "16 V of 20 V"},
		{name: "exactly 20 % is tight", role: "feed", kind: "amps", part: 0.2, verdict: plan.Tight, text: "4 A of 5 A"},
		{name: "power limit", source: func(s *model.SourceSpec) { s.MaxWatts = 60 }, role: "feed", kind: "watts", part: 1 - 64/60.0, verdict: plan.Misfits, text: "64 W of 60 W"},
		{name: "sense compensation", role: "feed", kind: "sense", sense: bench.Remote, lead: "225 mohm", part: 0.1, verdict: plan.Tight, text: "4 A x 225 mohm = 900 mV of 1 V in each conductor"},
		{name: "sense compensation exceeded", role: "feed", kind: "sense", sense: bench.Remote, lead: "300 mohm", part: -0.2, verdict: plan.Misfits},
		{name: "protection that starts above the guard", source: func(s *model.SourceSpec) { s.OverVolts = span("20..22 V") }, role: "feed", kind: "protection", part: -0.1, verdict: plan.Misfits, text: "it starts at 20 V"},
		{name: "protection that looks at the terminals", source: func(s *model.SourceSpec) { s.OverVoltsAt, s.Volts, s.SenseVolts = "terminals", span("0..60 V"), 2 }, role: "feed", kind: "protection", sense: bench.Remote, lead: "300 mohm", part: 1 - 18.4/18, verdict: plan.Misfits, text: "18.4 V at the terminals"},
		{name: "a source that must take in", role: "feed", kind: "quadrant", part: -1, verdict: plan.Misfits, text: "takes in at positive voltage", needLow: "amps: 0..4 A", needNew: "amps: -1..4 A"},
		{name: "load power", role: "sink", kind: "watts", part: 1 - 180/200.0, verdict: plan.Tight, text: "180 W of 200 W"},
		{name: "constant resistance that there is not", role: "sink", kind: "ohms", hold: "1 ohm", part: -1, verdict: plan.Misfits},
		{name: "constant power that there is not", role: "sink", kind: "watts", hold: "10 W", part: -1, verdict: plan.Misfits},
		{name: "constant voltage that there is not", role: "sink", kind: "volts", hold: "4 V", part: -1, verdict: plan.Misfits},
		{name: "a level of resistance", load: func(l *model.LoadSpec) { l.Ohms = span("0.5 ohm..1 kohm") }, role: "sink", kind: "ohms", hold: "0.6 ohm", part: 0.2, verdict: plan.Tight},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.hold == "" {
				c.hold = "30 A"
			}
			if c.lead == "" {
				c.lead = "0 ohm"
			}
			w := (&wiring{}).add("psu", source(c.source), "dut.in", bench.Source, c.sense, c.lead).add("eload", load(c.load), "dut.out", bench.Load, bench.Local, "0 ohm")
			yaml := strings.Replace(text, "HOLD", c.hold, 1)
			if c.needLow != "" {
				yaml = strings.Replace(yaml, c.needLow, c.needNew, 1)
			}
			p, found := bind(t, yaml, w)
			m := margin(t, p.Fit, c.role, c.kind)
			if math.Abs(m.Part-c.part) > 1e-9 || m.Verdict() != c.verdict || !strings.Contains(m.Text, c.text) {
				t.Errorf("margin %.6f, %s, want %.6f, %s: %s", m.Part, m.Verdict(), c.part, c.verdict, m.Text)
			}
			if diag.Failed(found) != (p.Fit.Verdict == plan.Misfits) || c.verdict == plan.Misfits && !diag.Failed(found) {
				t.Errorf("verdict %s, findings %v", p.Fit.Verdict, found)
			}
		})
	}
}

const simple = `
needs:
  feed: {role: source, node: dut.in, volts: 0..16 V, amps: 0..2 A}
guard:
  dut.in: {volts: ..18 V, amps: ..3 A}
steps:
  - {source: feed, volts: 12 V, amps: 2 A}
  - measure: {vi: v(dut.in), ii: i(dut.in)}
`

func TestTheBestChannelIsTakenAndTheOthersSayWhy(t *testing.T) {
	w := (&wiring{}).
		add("small", source(func(s *model.SourceSpec) { s.Volts = span("0..10 V") }), "dut.in", bench.Source, bench.Local, "0 ohm").
		add("tight", source(func(s *model.SourceSpec) { s.Volts = span("0..14 V") }), "dut.in", bench.Source, bench.Local, "0 ohm").
		add("good", source(func(s *model.SourceSpec) { s.Volts = span("0..30 V") }), "dut.in", bench.Source, bench.Local, "0 ohm").
		add("elsewhere", source(nil), "dut.aux", bench.Source, bench.Local, "0 ohm")
	p, found := bind(t, simple, w)
	if diag.Failed(found) {
		t.Fatal(found)
	}
	var got []string
	for _, c := range p.Fit.Roles[0].Candidates {
		m, _ := c.Binding()
		got = append(got, fmt.Sprintf("%s: %s%s %s", c.Name, c.Verdict, c.Why, m.Text))
	}
	want := []string{"good: fits 12 V of 30 V", "tight: tight 12 V of 14 V", "small: does not fit 12 V of 10 V", "elsewhere: does not fitwired at dut.aux "}
	if d := cmp.Diff(want, got); d != "" || p.Roles[0].Channel.Instrument != "good" {
		t.Error(d)
	}
}

func TestRefusalsNamePlaceReasonAndArithmetic(t *testing.T) {
	small := source(func(s *model.SourceSpec) { s.Volts = span("0..10 V") })
	for _, c := range []struct {
		name  string
		text  string
		bench *wiring
		want  string
	}{
		{"nothing fits", simple, (&wiring{}).add("small", small, "dut.in", bench.Source, bench.Local, "0 ohm"),
			"test.yaml:5:3: no source at dut.in on this bench can serve feed: small: volts 12 V of 10 V"},
		{"nothing is there", simple, (&wiring{}).add("dmm", meter(), "dut.in", bench.Voltmeter, "", "0 ohm"),
			"test.yaml:5:3: no source at dut.in on this bench can serve feed: the bench has no source at all"},
		{"wired elsewhere", simple, (&wiring{}).add("psu", source(nil), "dut.aux", bench.Source, bench.Local, "0 ohm"),
			"can serve feed: psu: wired at dut.aux"},
		{"nothing reads the current", simple, (&wiring{}).add("psu", &model.Model{Channels: []model.Channel{{Number: 1, Source: source(nil).Channels[0].Source}}}, "dut.in", bench.Source, bench.Local, "0 ohm").
			add("dmm", meter(), "dut.in", bench.Voltmeter, "", "0 ohm"),
			"test.yaml:10:30: nothing on this bench reads i(dut.in) (psu does not measure current)"},
		{"a range that ends too early", simple, (&wiring{}).add("psu", source(nil), "dut.in", bench.Source, bench.Local, "0 ohm").
			add("dmm", &model.Model{Channels: []model.Channel{{Number: 1, Volts: ranges("10 V", 1e-4)}}}, "dut.in", bench.Voltmeter, "", "0 ohm"),
			"v(dut.in) is read by dmm: 12 V expected, its largest range ends at 11 V"},
		{"a resistance that lets too much flow", `
needs:
  feed: {role: source, node: dut.in, volts: 0..16 V, amps: 0..2 A}
  sink: {role: load, node: dut.out, amps: 0..3 A, at_volts: 5 V}
guard: {dut.in: {volts: ..18 V}, dut.out: {volts: ..6 V, amps: ..3 A}}
steps:
  - {source: feed, volts: 12 V, amps: 2 A}
  - {load: sink, hold: 1.5 ohm}
`, (&wiring{}).add("psu", source(nil), "dut.in", bench.Source, bench.Local, "0 ohm").
			add("eload", load(func(l *model.LoadSpec) { l.Ohms = span("0.1 ohm..1 kohm") }), "dut.out", bench.Load, bench.Local, "0 ohm"),
			"test.yaml:10:6: 1.5 ohm asked of sink draws up to 6 V / 1.5 ohm = 4 A; the guard of dut.out allows ..3 A"},
		{"a load before its source", `
needs:
  feed: {role: source, node: dut.in, volts: 0..16 V, amps: 0..2 A}
  sink: {role: load, node: dut.out, amps: 0..3 A, at_volts: 5 V}
guard: {dut.in: {volts: ..18 V}, dut.out: {volts: ..6 V}}
steps:
  - {load: sink, hold: 1 A}
  - {source: feed, volts: 12 V, amps: 2 A}
`, (&wiring{}).add("psu", source(nil), "dut.in", bench.Source, bench.Local, "0 ohm").add("eload", load(nil), "dut.out", bench.Load, bench.Local, "0 ohm"),
			"load sink would be on before source feed"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, found := bind(t, c.text, c.bench)
			for _, f := range found {
				if !f.Warning && strings.Contains(f.Error(), c.want) && f.Hint != "" {
					return
				}
			}
			t.Errorf("want %q with a hint among %v", c.want, found)
		})
	}
}

func TestAMeterBeatsAReadBack(t *testing.T) {
	w := (&wiring{}).add("psu", source(nil), "dut.in", bench.Source, bench.Local, "15 mohm").add("dmm", meter(), "dut.in", bench.Voltmeter, "", "0 ohm")
	p, found := bind(t, simple, w)
	if diag.Failed(found) {
		t.Fatal(found)
	}
	v, i := p.Gauges[p.GaugeIndex(sequence.Volts, "dut.in")], p.Gauges[p.GaugeIndex(sequence.Amps, "dut.in")]
	if v.Channel.Instrument != "dmm" || v.Own || v.LeadOhm != 0 {
		t.Errorf("v(dut.in) is read by %+v", v)
	}
	if i.Channel.Instrument != "psu" || !i.Own || i.Role != 0 {
		t.Errorf("i(dut.in) is read by %+v", i)
	}
	if others := p.Fit.Gauges[0].Others; len(others) != 1 || !strings.HasPrefix(others[0], "psu: over the sweep its U is 14.1 times that of dmm: at 12 V 19.6 mV against 1.39 mV") {
		t.Errorf("others %q", others)
	}
}

// A voltage read behind leads is wrong by their drop: 2 x 2 A x 15 mohm.
func TestAReadBackBehindLeadsIsCautioned(t *testing.T) {
	w := (&wiring{}).add("psu", source(nil), "dut.in", bench.Source, bench.Local, "15 mohm")
	p, found := bind(t, simple, w)
	if diag.Failed(found) || p.Gauges[0].LeadOhm != 0.03 {
		t.Fatal(found, p.Gauges)
	}
	var warned bool
	for _, f := range found {
		warned = warned || strings.Contains(f.Text, "2 A x 30 mohm = 60 mV")
	}
	if !warned {
		t.Error(found)
	}
}

func TestProtectionComesFromTheGuard(t *testing.T) {
	w := (&wiring{}).add("psu", source(nil), "dut.in", bench.Source, bench.Local, "0 ohm").add("dmm", meter(), "dut.in", bench.Voltmeter, "", "0 ohm")
	p, _ := bind(t, simple, w)
	if r := p.Roles[0]; r.OverVolts != 18 || r.OverAmps != 3 || r.Limit != 2 {
		t.Errorf("over-voltage %s, over-current %s, limit %s; want 18 V, 3 A, 2 A", r.OverVolts, r.OverAmps, r.Limit)
	}
}

func TestPointsAndRounds(t *testing.T) {
	w := (&wiring{}).add("psu", source(nil), "dut.in", bench.Source, bench.Local, "0 ohm")
	p, found := bind(t, `
needs: {feed: {role: source, node: dut.in, volts: 0..16 V, amps: 0..2 A}}
guard: {dut.in: {volts: ..18 V}}
steps:
  - sweep: {vin: {from: 1 V, to: 10 V, points: 10}}
    label: up
    steps:
      - {source: feed, volts: vin, amps: 2 A}
      - repeat: 3
        steps:
          - measure: {vi: v(dut.in), ii: i(dut.in)}
`, w)
	if diag.Failed(found) {
		t.Fatal(found)
	}
	if p.Points != 30 || p.Points != p.Sequence.CountPoints() || !p.Parts {
		t.Errorf("%d points, the sequence counts %d, parts %v", p.Points, p.Sequence.CountPoints(), p.Parts)
	}
	m := p.Sequence.Steps[0].(*sequence.Sweep).Steps[1].(*sequence.Repeat).Steps[0].(*sequence.Measure)
	// both are read by one instrument: one after the other, unless its channel takes both at once
	if d := cmp.Diff([][]int{{0}, {1}}, p.Rounds(m)); d != "" {
		t.Error(d)
	}
	for i := range p.Gauges {
		p.Gauges[i].Together = true
	}
	if d := cmp.Diff([][]int{{0, 1}}, p.Rounds(m)); d != "" {
		t.Error(d)
	}
	var names []string
	for _, c := range p.Columns {
		names = append(names, fmt.Sprintf("%s %s %s", c.Name, c.Kind, c.From))
	}
	if d := cmp.Diff([]string{"vin coordinate ", "n coordinate ", "vi measured psu", "ii measured psu"}, names); d != "" {
		t.Error(d)
	}
}

// The efficiency of a 12 V to 5 V converter at 3 A, with limits of Vi 0.05 % + 5 mV, Ii 0.1 % + 2 mA, Vo 0.03 % + 3 mV, Io
// 0.05 % + 3 mA, has U = 0.37 % of itself at an efficiency of 0.93 (equipment selection, efficiency uncertainty, worked by
// hand there). Limits are rectangular; gain and offset of one meter are separate inputs here, which makes
// u = sqrt(g^2 + o^2)/sqrt(3) in place of (g + o)/sqrt(3), so the figure is worked out again below.
func TestPredictedEfficiencyUncertainty(t *testing.T) {
	range_ := func(full string, gain, offset float64) []model.Range {
		return []model.Range{{Full: quantity.MustParse(full).SI, Accuracy: model.Accuracy{Gain: gain, Offset: offset}}}
	}
	vm := func(r []model.Range) *model.Model {
		return &model.Model{Channels: []model.Channel{{Number: 1, Volts: r}}}
	}
	am := func(r []model.Range) *model.Model {
		return &model.Model{Channels: []model.Channel{{Number: 1, Amps: r}}}
	}
	silent := func(m *model.Model) *model.Model { // no read-back, which would be better than these meters
		m.Channels[0].Volts, m.Channels[0].Amps = nil, nil
		return m
	}
	w := (&wiring{}).add("psu", silent(source(nil)), "dut.in", bench.Source, bench.Local, "0 ohm").add("eload", silent(load(nil)), "dut.out", bench.Load, bench.Local, "0 ohm").
		add("vi", vm(range_("20 V", 5e-4, 5e-3)), "dut.in", bench.Voltmeter, "", "0 ohm").add("ii", am(range_("3 A", 1e-3, 2e-3)), "dut.in", bench.Ammeter, "", "0 ohm").
		add("vo", vm(range_("10 V", 3e-4, 3e-3)), "dut.out", bench.Voltmeter, "", "0 ohm").add("io", am(range_("3 A", 5e-4, 3e-3)), "dut.out", bench.Ammeter, "", "0 ohm")
	p, found := bind(t, `
needs:
  feed: {role: source, node: dut.in, volts: 0..12 V, amps: 0..2.5 A}
  sink: {role: load, node: dut.out, amps: 0..3 A, at_volts: 5 V}
guard: {dut.in: {volts: ..18 V, amps: ..3 A}, dut.out: {volts: ..5 V, amps: ..3.3 A}}
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - {load: sink, hold: 3 A}
  - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
  - derive: {eff: vo * io / (vi * ii)}
`, w)
	if diag.Failed(found) {
		t.Fatal(found)
	}
	ii := 15/(0.6*12) + 0.01*2.5 // the guess that the range is chosen from
	u := 0.0
	for _, q := range []struct{ x, gain, offset float64 }{{12, 5e-4, 5e-3}, {ii, 1e-3, 2e-3}, {5, 3e-4, 3e-3}, {3, 5e-4, 3e-3}} {
		u += q.gain*q.gain/3 + q.offset*q.offset/(3*q.x*q.x)
	}
	want := 2 * math.Sqrt(u) * 15 / (12 * ii)
	if got := p.Fit.Derived[0].Worst; math.Abs(got-want) > 1e-9*want {
		t.Errorf("U(eff) is %.6g, want %.6g", got, want)
	}
}

func TestBindNeedsNoLuck(t *testing.T) {
	// two needs at one node get two channels
	w := (&wiring{}).add("a", source(nil), "dut.in", bench.Source, bench.Local, "0 ohm").add("b", source(nil), "dut.in", bench.Source, bench.Local, "0 ohm")
	p, found := bind(t, `
needs:
  one: {role: source, node: dut.in, volts: 0..12 V, amps: 0..2 A}
  two: {role: source, node: dut.in, volts: 0..12 V, amps: 0..2 A}
guard: {dut.in: {volts: ..18 V}}
steps:
  - {source: one, volts: 12 V, amps: 2 A}
  - {source: two, volts: 12 V, amps: 2 A}
`, w)
	if diag.Failed(found) || p.Roles[0].Channel == p.Roles[1].Channel {
		t.Errorf("%v %v: %v", p.Roles[0].Channel, p.Roles[1].Channel, found)
	}
}
