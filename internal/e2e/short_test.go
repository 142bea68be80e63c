package e2e

import (
	"math"
	"os"
	"strings"
	"testing"
)

// shortOnce is the example of the short circuit at one input voltage, with its bench and its scenario, changed by pairs of texts.
func shortOnce(t *testing.T, pairs ...string) (seqText, benchText, scenarioText string) {
	t.Helper()
	texts := []string{strings.Replace(read(t, "short-circuit.yaml"), "[9 V, 12 V, 16 V]", "12 V", 1), read(t, "bench-short.yaml"), read(t, "short.scenario.yaml")}
	for i := 0; i < len(pairs); i += 2 {
		done := false
		for k, text := range texts {
			if strings.Contains(text, pairs[i]) {
				texts[k], done = strings.Replace(text, pairs[i], pairs[i+1], 1), true
				break
			}
		}
		if !done {
			t.Fatalf("nothing to change: %q", pairs[i])
		}
	}
	return texts[0], texts[1], texts[2]
}

const hiccupLines = `    hiccup: yes                    # it turns off
    hiccup_after: 1 ms             # below 60 % of its output
    hiccup_off: 40 ms              # for about 13 of its soft starts
`

// A converter in a short must be told for what it is, with the figures that its scenario states: it limits at 4.6 A of inductor current, of which half a
// ripple is missing at the output (some 0.1 A at an output of 0.25 V); foldback is a line down to 35 % of it at 0 V; a hiccup is off for 40 ms behind 1 ms
// of overload, and comes back with a soft start of 3 ms; a latch stays off. Laws: common practice of current limits, no source.
func TestShortCircuitOfConvertersThatBearItDifferently(t *testing.T) {
	for _, c := range []struct {
		name, lines           string
		limitLow, limitHigh   float64 // A
		meanLow, meanHigh     float64
		starts, returns       float64
		recoverLow, recoverTo float64 // s
		says                  string
		fails                 int
	}{
		{"hiccup", hiccupLines, 4.4, 4.6, 4.5 / 41 * 0.9, 4.5/41 + 0.05, 6, 1, 34e-3, 46e-3, "hiccup: it lets go and tries again, 6 times while the overload lasted, once every 41.", 0},
		{"limit", "", 4.4, 4.6, 4.4, 4.6, 0, 1, 50e-6, 300e-6, "it limits its current to 4.4", 1},
		{"foldback", "    foldback: 35 %\n", 4.6*(0.35+0.65*0.09/5) - 0.1, 4.6 * (0.35 + 0.65*0.09/5), 1.5, 1.7, 0, 1, 50e-6, 600e-6, "foldback: 1.6", 1},
		{"latch", "    over_current: 4 A\n    over_current_delay: 1 ms\n", 4.3, 4.6, 0.01, 0.1, 0, 0, 0, 0, "latched, until its input is taken away", 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			seqText, benchText, scenarioText := shortOnce(t, hiccupLines, c.lines)
			got := capture(t, seqText, benchText, scenarioText, 0, false)
			if got.err != nil || len(got.points) != 1 || !got.points[0].Valid {
				t.Fatalf("%v %+v", got.err, got.points)
			}
			p := got.points[0]
			inside := func(name string, low, high float64) {
				t.Helper()
				if x := p.Cells[name].SI; !(x >= low && x <= high) {
					t.Errorf("%s is %g, %g to %g wanted", name, x, low, high)
				}
			}
			inside("i_short", c.limitLow, c.limitHigh)
			inside("i_mean", c.meanLow, c.meanHigh)
			inside("tries", c.starts, c.starts)
			inside("returns", c.returns, c.returns)
			inside("lasts", 0.248, 0.256)
			inside("i_peak", 5, 30.6)
			if c.returns == 1 {
				inside("recovery", c.recoverLow, c.recoverTo)
				if u := p.Cells["recovery"].U; !(u > 0 && u < 5e-3) {
					t.Errorf("U of the recovery is %g s", u)
				}
			} else if !math.IsNaN(p.Cells["recovery"].SI) {
				t.Errorf("a recovery of %g s", p.Cells["recovery"].SI)
			}
			if notes := strings.Join(p.Notes, "; "); !strings.Contains(notes, c.says) {
				t.Errorf("the notes do not say %q: %s", c.says, notes)
			}
			if failed := got.summary.Verdicts.Fail; failed != c.fails {
				t.Errorf("%d limits failed, want %d", failed, c.fails)
			}
		})
	}
}

// What makes a short senseless or unsafe on a bench is said before anything is connected.
func TestWhatIsSaidOfAShortBeforehand(t *testing.T) {
	for _, c := range []struct {
		name, old, new, says string
		grave                bool
	}{
		{"fine", "", "", "", false},
		// 5 V x 4.6 A / (82 % x 12 V) = 2.34 A
		{"source too weak", "amps: 3.2 A\n  - settle", "amps: 1.5 A\n  - settle", "5 V x 4.6 A / (82 % x 12 V) = 2.34 A: what is seen is then the limit of the source", false},
		{"no limit of the device", "  current_limit: 3.8..4.6 A      # by its data sheet\n", "", "whether feed, limited to 3.2 A, feeds the device up to its own limit is not known", false},
		{"no limit of the source", "    amps: 3.2 A\n  - settle", "  - settle", "nothing limits what feed puts into the short", true},
		{"guard below the device", "-0.5..32 A", "-0.5..4.2 A", "a short draws the device's limit, up to 4.6 A; the guard of dut.out allows", true},
		{"guard below the capacitor", "-0.5..32 A", "-0.5..20 A", "lets the output's capacitor empty into sink, which takes up to 30 A; the guard of dut.out allows 20 A", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			var pairs []string
			if c.old != "" {
				pairs = []string{c.old, c.new}
			}
			seqText, benchText, _ := shortOnce(t, pairs...)
			p, found := bound(t, seqText, benchText)
			said, grave := "", false
			for _, f := range found {
				if strings.Contains(f.Error(), "short") || strings.Contains(f.Error(), "feeds the device") || strings.Contains(f.Error(), "feed the device") {
					said += f.Error() + "\n"
					grave = grave || !f.Warning
				}
			}
			if c.says == "" && said != "" || !strings.Contains(said, c.says) || grave != c.grave {
				t.Errorf("said (grave: %v): %s\nwant %q", grave, said, c.says)
			}
			if notes := strings.Join(p.Fit.Notes, "\n"); !strings.Contains(notes, "the short of sink (line") || !strings.Contains(notes, "is the load's short mode") {
				t.Error(notes)
			}
		})
	}
}

// The threshold of the over-current protection is where the peak of the inductor's current, half a ripple above the load, comes to the limit of the scenario:
// 4.6 A - Vo (1 - D)/(2 L f) with D = Vo/Vi, 6.8 uH and 400 kHz. Common practice of converters that limit the peak; losses left out, a few per cent of the ripple.
func TestThresholdOfOverCurrentProtection(t *testing.T) {
	inputs, text := []float64{16}, read(t, "over-current.yaml") // where the ripple is largest
	if os.Getenv("FOURWIRE_LONG") == "1" {
		inputs = []float64{9, 12, 16}
	} else {
		text = strings.Replace(text, "[9 V, 12 V, 16 V]", "16 V", 1)
	}
	got := capture(t, text, read(t, "bench-fast.yaml"), read(t, "buoy.scenario.yaml"), 0, false)
	if got.err != nil || len(got.points) != len(inputs) {
		t.Fatalf("%v %+v", got.err, got.points)
	}
	for i, vin := range inputs {
		p := got.points[i]
		want := 4.6 - 5*(1-5/vin)/(2*6.8e-6*400e3)
		if c := p.Cells["threshold"]; !p.Valid || math.Abs(c.SI-want) > c.U+0.02 || !(c.U > 0 && c.U < 0.15) {
			t.Errorf("%g V: threshold %g A +/- %g, want %g; %s", vin, c.SI, c.U, want, p.Why)
		}
		if c := p.Cells["limiting"]; !(c.SI > 20e-6 && c.SI < 1e-3) {
			t.Errorf("%g V: it limits after %g s", vin, c.SI)
		}
	}
	if got.summary.Verdicts.Fail+got.summary.Verdicts.Undecided > 0 {
		t.Errorf("%+v", got.summary.Verdicts)
	}
}

// The threshold of the over-voltage protection of the scenario, 5.85 V, found in steps of 20 mV; it stays off, and comes back once its input was away. A converter without one
// goes to the end of the sweep, and the limits fail or have nothing to be judged by.
func TestOverVoltageProtection(t *testing.T) {
	scenario := read(t, "lift.scenario.yaml")
	text := strings.Replace(read(t, "over-voltage.yaml"), "from: 5.2 V, to: 6.4 V", "from: 5.7 V, to: 6 V", 1)
	got := capture(t, text, read(t, "bench-lift.yaml"), scenario, 0, false)
	if got.err != nil || got.summary.Verdicts.Pass != 5 {
		t.Fatalf("%v %+v", got.err, got.summary.Verdicts)
	}
	if r := got.summary.Results; len(r) != 1 || math.Abs(r[0].SI-5.85) > r[0].U+0.01 || !(r[0].U < 0.03) {
		t.Errorf("%+v", r)
	}
	none := strings.Replace(scenario, "    over_voltage: 5.85 V           # of its output; it stays off until its input was away\n    over_voltage_delay: 20 us\n", "", 1)
	got = capture(t, text, read(t, "bench-lift.yaml"), none, 0, false)
	if got.err == nil && got.summary.Verdicts.Fail+got.summary.Verdicts.Undecided == 0 {
		t.Errorf("a converter without protection: %+v", got.summary.Verdicts)
	}
}
