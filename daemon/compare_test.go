package daemon

import (
	"math"
	"testing"

	"fourwire/daemon/api"
	"fourwire/quantity/measured"
	"fourwire/record"
)

// two sides of one point each at 1 A: 5.000 V and 5.004 V, each with a gain part of 3 mV, which the channel has in both, and a noise part of 0.5 mV of its own.
func twoSides(serial string, calibrated string) (a, b *side) {
	instrument := record.Instrument{Name: "dmm", Maker: "Lakeside", Model: "Meter", Serial: "S1", Calibrated: "2026-01-01"}
	columns := []record.Column{{Name: "iout", Kind: record.Coordinate, Unit: "A"}, {Name: "vo", Kind: record.Measured, Unit: "V"}}
	make1 := func(id string, volts float64, in record.Instrument) *side {
		gain := &record.StoredInput{Input: measured.Input{Name: "dmm ch1 volts 10 V gain", Kind: measured.Gain}, Shared: true}
		noise := &record.StoredInput{Input: measured.Input{Name: "dmm ch1 volts 10 V noise"}}
		u := 2 * math.Hypot(3e-3, 0.5e-3)
		p := record.Point{Number: 1, Valid: true, Settled: true, Cells: map[string]record.Cell{"iout": {SI: 1, U: math.NaN()}, "vo": {SI: volts, U: u}}}
		s := &side{id: id, rec: &record.Record{}, points: map[string]record.Point{}, terms: map[int]map[string][]record.StoredTerm{1: {"vo": {{Input: gain, Part: 3e-3}, {Input: noise, Part: 0.5e-3}}}}}
		s.rec.Instruments, s.rec.Columns, s.rec.Rows = []record.Instrument{in}, columns, []record.Point{p}
		s.points[keyOf(p, []string{"iout"})] = p
		return s
	}
	other := instrument
	other.Serial, other.Calibrated = serial, calibrated
	return make1("a", 5.000, instrument), make1("b", 5.004, other)
}

// Differences of readings with a shared input: JCGM 100:2008, 5.2.2, worked by hand. With the gain in both, u(d) = sqrt(2) 0.5 mV = 0.707 mV, so that 4 mV are a
// difference; without, u(d) = sqrt(2 (3^2 + 0.5^2)) mV = 4.301 mV, and they are none.
func TestWhatBothShareDropsOut(t *testing.T) {
	for _, c := range []struct {
		name, serial, calibrated string
		wantU                    float64
		want, shared             string
	}{
		{"the same instrument", "S1", "2026-01-01", 2 * math.Sqrt2 * 0.5e-3, "higher", "dmm ch1 volts 10 V gain"},
		{"another instrument", "S2", "2026-01-01", 2 * math.Sqrt(2*(9+0.25)) * 1e-3, "no difference", ""},
		{"the same, calibrated in between", "S1", "2026-05-01", 2 * math.Sqrt(2*(9+0.25)) * 1e-3, "no difference", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			a, b := twoSides(c.serial, c.calibrated)
			got := compareColumn(a, b, a.rec.Columns[1])
			if len(got.Pairs) != 1 || got.Unpaired != 0 {
				t.Fatalf("%+v", got)
			}
			p := got.Pairs[0]
			if math.Abs(*p.Difference.V-4e-3) > 1e-12 || math.Abs(*p.Difference.U-c.wantU) > 1e-9 || p.Judgement != c.want || got.Judgement != c.want || got.Shared != c.shared {
				t.Errorf("difference %v, U %v (want %v), %s, %s, shared %q", *p.Difference.V, *p.Difference.U, c.wantU, p.Judgement, got.Judgement, got.Shared)
			}
		})
	}
}

// A simulated bench draws the errors of its instruments from its seed: another seed is as another set of instruments.
func TestAnotherSeedSharesNothing(t *testing.T) {
	for seeds, want := range map[[2]uint64]string{{1, 1}: "higher", {1, 2}: "no difference"} {
		a, b := twoSides("S1", "2026-01-01")
		a.rec.Simulated, b.rec.Simulated, a.rec.Seed, b.rec.Seed = true, true, &seeds[0], &seeds[1]
		if got := compareColumn(a, b, a.rec.Columns[1]); got.Judgement != want {
			t.Errorf("seeds %v: %s, want %s", seeds, got.Judgement, want)
		}
	}
}

// Which way is better is what the limits of the sequence say, where they agree; common practice, no source.
func TestBetterAndWorse(t *testing.T) {
	a, b := twoSides("S1", "2026-01-01")
	for _, c := range []struct {
		limits []string
		want   string
	}{
		{[]string{"vo >= 4.85 V"}, "better"},
		{[]string{"vo <= 5.15 V"}, "worse"},
		{[]string{"vo >= 4.85 V", "vo <= 5.15 V"}, "higher"},
		{[]string{"loss <= 1 W"}, "higher"},
	} {
		a.rec.Verdicts = nil
		for _, l := range c.limits {
			a.rec.Verdicts = append(a.rec.Verdicts, record.Verdict{Limit: l})
		}
		if got := compareColumn(a, b, a.rec.Columns[1]); got.Judgement != c.want {
			t.Errorf("%v: %s, want %s", c.limits, got.Judgement, c.want)
		}
	}
}

// A point without a partner, an invalid one, and one that is there twice take part in nothing.
func TestUnpaired(t *testing.T) {
	a, b := twoSides("S1", "2026-01-01")
	more := a.rec.Rows[0]
	more.Number = 2
	more.Cells = map[string]record.Cell{"iout": {SI: 2}, "vo": {SI: 5, U: 1e-3}}
	a.rec.Rows = append(a.rec.Rows, more)
	a.points[keyOf(more, []string{"iout"})] = more
	got := compareColumn(a, b, a.rec.Columns[1])
	if got.Unpaired != 1 || len(got.Pairs) != 1 {
		t.Errorf("%+v", got)
	}
	broken := b.points[keyOf(b.rec.Rows[0], []string{"iout"})]
	broken.Valid = false
	b.points[keyOf(broken, []string{"iout"})] = broken
	if got := compareColumn(a, b, a.rec.Columns[1]); got.Judgement != "unknown" || got.Pairs[0].Judgement != "unknown" {
		t.Errorf("an invalid point is judged: %+v", got)
	}
	for _, c := range []struct {
		higher, lower, same int
		mean, want          string
	}{{0, 0, 20, same, same}, {1, 1, 38, same, same}, {5, 5, 10, same, "mixed"}, {10, 0, 10, higher, higher}} {
		compared := api.Compared{Higher: c.higher, Lower: c.lower, Same: c.same}
		if got := overall(compared, c.mean, float64(c.higher+c.lower+c.same)); got != c.want {
			t.Errorf("%+v: %s", c, got)
		}
	}
}
