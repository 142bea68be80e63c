package plan_test

import (
	"strings"
	"testing"

	"fourwire/driver/bench"
	"fourwire/sequence"
)

const measuring = `
needs:
  feed: {role: source, node: dut.in, volts: 0..16 V, amps: 0..2 A}
guard: {dut.in: {volts: ..18 V, amps: ..3 A}}
steps:
  ZERO
  - {source: feed, volts: 12 V, amps: 2 A}
  LATE
  - measure: {vi: v(dut.in), ii: i(dut.in)}
    EXTRA
`

func measuringText(zero, late, extra string) string {
	text := strings.NewReplacer("  ZERO\n", zero, "  LATE\n", late, "    EXTRA\n", extra).Replace(measuring)
	return text
}

func TestWhatIsAskedOfMeters(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"a range that no meter has", measuringText("", "", "    ranges: {ii: 5000 A}\n"), "which reads i(dut.in), holds 5 kA"},
		{"a zero while something is on", measuringText("", "  - zero: [i(dut.in)]\n", ""), "a zero is read with everything off; feed is on here"},
		{"a zero before", measuringText("  - zero: [i(dut.in)]\n", "", ""), ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, found := bind(t, c.text, (&wiring{}).add("psu", source(nil), "dut.in", bench.Source, bench.Local, "0 ohm").add("dmm", meter(), "dut.in", bench.Voltmeter, "", "0 ohm"))
			said := false
			for _, f := range found {
				said = said || !f.Warning && strings.Contains(f.Error(), c.want)
				if c.want == "" && !f.Warning {
					t.Error(f)
				}
			}
			if c.want != "" && !said {
				t.Errorf("want %q among %v", c.want, found)
			}
		})
	}
}

// Readings that share an instrument are mirrored unless the sequence says otherwise; a pass forwards belongs to one backwards.
func TestReadingsThatShareAnInstrumentAreMirrored(t *testing.T) {
	both := meter()
	w := (&wiring{}).add("psu", source(nil), "dut.in", bench.Source, bench.Local, "0 ohm").add("dmm", both, "dut.in", bench.Voltmeter, "", "0 ohm")
	for _, c := range []struct {
		extra    string
		mirrored bool
		passes   int
	}{
		{"", false, 1},
		{"    average: 3\n", false, 3},
		{"    order: mirrored\n", true, 2},
		{"    order: mirrored\n    average: 3\n", true, 4},
		{"    order: straight\n    average: 3\n", false, 3},
	} {
		p, _ := bind(t, measuringText("", "", c.extra), w)
		m := p.Sequence.Steps[1].(*sequence.Measure)
		if p.Mirrored(m) != c.mirrored || p.Passes(m) != c.passes {
			t.Errorf("%q: mirrored %v, %d passes", c.extra, p.Mirrored(m), p.Passes(m))
		}
	}
	// one instrument with two channels that cannot measure at one time
	two := meter()
	second := two.Channels[0]
	second.Number = 2
	two.Channels = append(two.Channels, second)
	shared := (&wiring{}).add("psu", source(nil), "dut.in", bench.Source, bench.Local, "0 ohm").add("dmm", two, "dut.in", bench.Voltmeter, "", "0 ohm")
	shared.wires = append(shared.wires, bench.Wire{Instrument: "dmm", Channel: 2, Node: "dut.in", As: bench.Ammeter})
	p, _ := bind(t, measuringText("", "", ""), shared)
	m := p.Sequence.Steps[1].(*sequence.Measure)
	if !p.Mirrored(m) || p.Passes(m) != 2 {
		t.Errorf("mirrored %v, %d passes", p.Mirrored(m), p.Passes(m))
	}
}
