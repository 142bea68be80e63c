package e2e

import (
	"math"
	"regexp"
	"strings"
	"testing"
)

// without takes the wiring of some channels out of the bench file and the meters out of the scenario.
func without(names ...string) options {
	cut := func(s string) string {
		for _, name := range names {
			s = regexp.MustCompile(`(?m)^  - \{channel: `+name+`,.*\n`).ReplaceAllString(s, "")
			s = regexp.MustCompile(`(?m)^  `+name+`:\n(    .*\n)+`).ReplaceAllString(s, "")
		}
		return untriggered(s)
	}
	belief := func(s string) string {
		return regexp.MustCompile(`(?m)^  - \{channel: (`+strings.Join(names, "|")+`),.*\n`).ReplaceAllString(s, "")
	}
	return options{scenario: cut, bench: belief}
}

// untriggered takes the trigger lines out of a bench or scenario, which name instruments that may be gone.
func untriggered(s string) string {
	return regexp.MustCompile(`(?m)^triggers:\n(  .*\n)+`).ReplaceAllString(s, "")
}

// The output is read at the load's own terminals, behind two leads of 15 mohm and an ammeter: at 2 A the drop is about 60 mV and more.
// The corrected value holds the truth at the node inside its U, which is far smaller than the drop; the note says what was added.
func TestLeadDropIsCorrected(t *testing.T) {
	o := without("dmm-out")
	o.scenario = func(cut func(string) string) func(string) string {
		return func(s string) string { // sensed at its own terminals, as the bench file says
			return strings.Replace(cut(s), "sink,     node: dut.out, lead: 15 mohm, sense: remote", "sink,     node: dut.out, lead: 15 mohm", 1)
		}
	}(o.scenario)
	for _, seed := range []uint64{1, 2, 3, 4, 5} {
		o.seed = seed
		c, p := onePoint(t, "2 A", "aperture: 20 ms", o, false)
		truth := c.truths[0].Devices["converter"].OutVolts
		cell := p.Cells["vo"]
		terminals := c.truths[0].Channels["sink.1"].Volts
		if truth-terminals < 60e-3 {
			t.Fatalf("the drop is %g V only: there is nothing to correct", truth-terminals)
		}
		if math.Abs(cell.SI-truth) > cell.U || cell.U > 0.5*(truth-terminals) {
			t.Errorf("seed %d: vo is %.6g, the node has %.6g, the terminals have %.6g; U %.2g", seed, cell.SI, truth, terminals, cell.U)
		}
		if notes := strings.Join(p.Notes, "; "); !strings.Contains(notes, "v(dut.out): ") || !strings.Contains(notes, "of drop on the way to the node added") {
			t.Errorf("notes: %s", notes)
		}
		if !strings.Contains(cell.Biggest, "sink") {
			t.Errorf("mostly %s", cell.Biggest)
		}
	}
}

// The voltmeter at the output sits inside the ammeter: what flows through its 10 Mohm is the device's, and the ammeter does not see it. With
// meters without error that is all that is missing.
func TestMeterLoadingIsAdded(t *testing.T) {
	o := options{scenario: func(s string) string {
		for _, serial := range []string{"S3001", "S3002", "S3003", "S3004"} {
			s = strings.Replace(s, serial+",1.1\"\n", serial+",1.1\"\n    channels:\n      - read_volts: [{full: 100 V, resistance: 10 Mohm}]\n        read_amps: [{full: 3 A, resistance: 0.05 ohm}]\n", 1)
		}
		// sense leads would draw a little more
		return strings.Replace(s, "sink,     node: dut.out, lead: 15 mohm, sense: remote", "sink,     node: dut.out, lead: 15 mohm", 1)
	}}
	c, p := onePoint(t, "50 mA", "aperture: 20 ms", o, false)
	truth := c.truths[0].Devices["converter"]
	meter := c.truths[0].Channels["amm-out.1"].Amps
	through := truth.OutAmps - math.Abs(meter)
	if math.Abs(through-truth.OutVolts/10e6) > 1e-9 {
		t.Fatalf("%g A flow past the ammeter", through)
	}
	if off := p.Cells["io"].SI - truth.OutAmps; math.Abs(off) > 0.1*through {
		t.Errorf("io is off by %.3g A of the %.3g A through the voltmeter", off, through)
	}
	if notes := strings.Join(p.Notes, "; "); !strings.Contains(notes, "i(dut.out): ") || !strings.Contains(notes, "through dmm-out added") || !strings.Contains(notes, "through dmm-in subtracted") {
		t.Errorf("notes: %s", notes)
	}
}

// A meter that was calibrated two intervals ago: gain and offset are taken to have wandered on by as much again, as inputs of their own.
func TestAgeIsInTheUncertainty(t *testing.T) {
	dated := func(date string) options {
		return options{bench: func(s string) string {
			return strings.Replace(s, `{model: meter, address: "sim:amm-in"}`, `{model: meter, address: "sim:amm-in", calibrated: `+date+`}`, 1)
		}}
	}
	u := func(date string) float64 {
		_, p := onePoint(t, "1 A", "aperture: 20 ms", dated(date), false)
		return p.Cells["ii"].U
	}
	fresh, old := u("2025-06-01"), u("2024-03-02") // the bench is switched on on 2026-03-01: 273 and 729 days
	want := math.Sqrt(1 + math.Pow(729.0/365-1, 2))
	if math.Abs(old/fresh/want-1) > 2e-3 {
		t.Errorf("U grows by %.4f, %.4f is expected", old/fresh, want)
	}
}
