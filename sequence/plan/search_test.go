package plan_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// folder is a small folder of models: a source, a load, and meters none of which is the best at everything.
func folder() []*model.Model {
	r := func(full, gain, offset float64) model.Range {
		return model.Range{Full: full, Over: 0.2, Accuracy: model.Accuracy{Gain: gain, Offset: offset}}
	}
	meter := func(name string, volts, amps model.Range) *model.Model {
		return &model.Model{Name: name, Channels: []model.Channel{{Number: 1, Volts: []model.Range{volts}, Amps: []model.Range{amps}}}}
	}
	src, ld := source(nil), load(nil)
	src.Name, ld.Name = "src", "ld"
	for _, m := range []*model.Model{src, ld} { // poor read-backs
		m.Channels[0].Volts, m.Channels[0].Amps = ranges("80 V", 1e-2), ranges("40 A", 1e-2)
	}
	weak := source(func(s *model.SourceSpec) { s.Volts = span("0..10 V") })
	weak.Name = "weak"
	return []*model.Model{src, weak, ld,
		// better over the sweep as a whole, and far worse at its small end
		meter("wide", r(20, 3e-4, 1e-3), r(5, 1e-5, 1e-3)), meter("steady", r(20, 5e-4, 1e-4), r(5, 3e-3, 0)), meter("poor", r(20, 1e-3, 2e-3), r(5, 5e-3, 2e-3))}
}

const searched = `
needs:
  feed: {role: source, node: dut.in, volts: 0..12 V, amps: 0..3 A}
  sink: {role: load, node: dut.out, amps: 0..3 A, at_volts: 4.5 V}
guard: {dut.in: {volts: ..18 V, amps: ..4 A}, dut.out: {volts: ..5.6 V, amps: ..4 A}}
device: {kind: converter, in: dut.in, out: dut.out, output: 5 V, efficiency: 85 %..92 %}
steps:
  - {source: feed, volts: 12 V, amps: 3 A}
  - sweep: {iout: {from: 50 mA, to: 3 A, points: 6, spacing: log}}
    steps:
      - {load: sink, hold: iout}
      - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
      - derive: {eff: vo * io / (vi * ii)}
      - judge: {limit: eff >= 80 %}
`

func readSequence(t testing.TB, text string) *sequence.Sequence {
	t.Helper()
	var found diag.Findings
	seq := sequence.Read("test.yaml", []byte("fourwire: sequence/1\ntitle: test\n"+text), nil, &found)
	if found.Failed() {
		t.Fatalf("%v", found.List())
	}
	return seq
}

// The search against every wiring there is, tried one by one: for each reading the read-back or any of the three meters. The
// best set of each count must be the same.
func TestSearchFindsWhatTryingEverythingFinds(t *testing.T) {
	seq, models := readSequence(t, searched), folder()
	sets := plan.Search(seq, &bench.Bench{}, models, 0)
	if sets.Cut || sets.Models != 6 || len(sets.Refused) != 1 || !strings.Contains(sets.Refused[0], "weak as feed: volts 12 V of 10 V") {
		t.Fatalf("cut %v, %d models, refused %q", sets.Cut, sets.Models, sets.Refused)
	}
	best := map[int]float64{}
	for code := range 4 * 4 * 4 * 4 {
		w := (&wiring{}).add("src", models[0], "dut.in", bench.Source, bench.Remote, "0 ohm").add("ld", models[2], "dut.out", bench.Load, bench.Local, "0 ohm")
		for i, at := range []struct {
			node string
			as   bench.Use
		}{{"dut.in", bench.Voltmeter}, {"dut.in", bench.Ammeter}, {"dut.out", bench.Voltmeter}, {"dut.out", bench.Ammeter}} {
			if pick := code >> (2 * i) & 3; pick > 0 {
				w.add(fmt.Sprintf("meter%d", i), models[2+pick], at.node, at.as, "", "0 ohm")
			}
		}
		var found diag.Findings
		p := plan.Bind(seq, &bench.Bench{Wiring: w.wires}, w.models, &found)
		if found.Failed() {
			t.Fatal(found.List())
		}
		used, worst := 0, 0.0
		for name := range w.models {
			if p.Uses(name) {
				used++
			}
		}
		for _, f := range p.Fit.Forecast {
			if f.Name == "eff" {
				worst = math.Max(worst, f.U/f.Value)
			}
		}
		if b, ok := best[used]; !ok || worst < b {
			best[used] = worst
		}
	}
	first := map[int]plan.Set{}
	for _, s := range sets.Sets {
		if _, ok := first[len(s.Models)]; !ok {
			first[len(s.Models)] = s
		}
		used := map[string]bool{}
		for _, v := range s.Serves {
			used[v.By] = true
		}
		if len(used) != len(s.Models) {
			t.Errorf("%v: some serve nothing: %+v", s.Models, s.Serves)
		}
		if s.Cost < 1 || s.Of != "eff" {
			t.Errorf("%v: cost %g, worst of %s", s.Models, s.Cost, s.Of)
		}
	}
	least := math.Inf(1)
	for n := 2; n <= 6; n++ {
		s, ok := first[n]
		if _, any := best[n]; !any {
			t.Fatalf("nothing uses %d instruments", n)
		}
		if worth := best[n] < least*(1-1e-3); worth != ok {
			t.Errorf("%d instruments: found %v, worth it %v (%g after %g)", n, ok, worth, best[n], least)
		} else if ok && math.Abs(s.Worst-best[n]) > 1e-12 {
			t.Errorf("%d instruments: %v at %g, the best is %g", n, s.Models, s.Worst, best[n])
		}
		least = math.Min(least, best[n])
	}
	if len(first[2].Models) == 0 || !slices.Equal(first[2].Models, []string{"ld", "src"}) {
		t.Errorf("the smallest set is %v", first[2].Models)
	}
	t.Logf("\n%s", sets.Text())
}

func TestSearchSaysWhatIsLacking(t *testing.T) {
	models := folder()
	sets := plan.Search(readSequence(t, searched), &bench.Bench{}, []*model.Model{models[0], models[3]}, 0)
	if len(sets.Sets) != 0 || sets.Lacking != "none of the models can serve sink (load at dut.out)" {
		t.Errorf("%q, %v", sets.Lacking, sets.Sets)
	}
}

func TestSearchSaysWhenItIsCut(t *testing.T) {
	sets := plan.Search(readSequence(t, searched), &bench.Bench{}, folder(), 5)
	if !sets.Cut || sets.Tried != 5 || !strings.Contains(strings.Join(strings.Fields(sets.Text()), " "), "there were more, the best-ranked ones were tried") {
		t.Errorf("cut %v after %d", sets.Cut, sets.Tried)
	}
}

// A source with two channels serves two roles as one instrument.
func TestSearchTakesBothChannelsOfOneInstrument(t *testing.T) {
	dual := source(nil)
	dual.Name = "dual"
	second := dual.Channels[0]
	second.Number = 2
	dual.Channels = append(dual.Channels, second)
	sets := plan.Search(readSequence(t, `
needs:
  one: {role: source, node: dut.in, volts: 0..12 V, amps: 0..2 A}
  two: {role: source, node: dut.aux, volts: 0..12 V, amps: 0..2 A}
guard: {dut.in: {volts: ..18 V}, dut.aux: {volts: ..18 V}}
steps:
  - {source: one, volts: 12 V, amps: 2 A}
  - {source: two, volts: 12 V, amps: 2 A}
  - measure: {va: v(dut.in), vb: v(dut.aux)}
`), &bench.Bench{}, []*model.Model{dual}, 0)
	if len(sets.Sets) != 1 || !slices.Equal(sets.Sets[0].Models, []string{"dual"}) {
		t.Errorf("%+v", sets)
	}
}

func BenchmarkBind(b *testing.B) {
	p, _ := bindExample(b, "../../examples/buoy/efficiency.yaml", nil)
	models := map[string]*model.Model{}
	for _, in := range p.Bench.Instruments {
		data, _ := model.FromLibrary(in.Model)
		models[in.Name] = model.Read(in.Model, data, &diag.Findings{})
	}
	for b.Loop() {
		plan.Bind(p.Sequence, p.Bench, models, &diag.Findings{})
	}
}

func BenchmarkSearch(b *testing.B) {
	seq, models := readSequence(b, searched), folder()
	for b.Loop() {
		plan.Search(seq, &bench.Bench{}, models, 0)
	}
}
