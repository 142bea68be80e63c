package plan_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sequence/plan"
)

// A voltmeter with a limit of 10 mV has U = 2 x 10 mV / sqrt(3) = 11.55 mV (rectangular, JCGM 100:2008, 4.3.7). Ratios by hand;
// that 4 is wanted is common practice.
func TestHowWellLimitsCanBeDecided(t *testing.T) {
	u := 2 * 10e-3 / math.Sqrt(3)
	for _, c := range []struct {
		name, device, judge string
		ratio               float64
		doubtful            int
		verdict             plan.Verdict
		text                string
	}{
		{"two limits, 4.3 times U", "", "limit: 4.95 V <= vo <= 5.05 V", 0.05 / u, 0, plan.Fits, "(5.05 V - 4.95 V) / 2 / 11.5 mV = 4.33"},
		{"two limits, twice U", "", "limit: 4.975 V <= vo <= 5.025 V", 0.025 / u, 0, plan.Tight, "= 2.17; 4 is wanted"},
		{"two limits, less than U", "", "limit: 4.99 V <= vo <= 5.01 V", 0.01 / u, 0, plan.Misfits, "the uncertainty is larger than the tolerance"},
		{"one limit, nothing known of the device", "", "limit: vo >= 4.9 V", 0, 0, plan.Fits, "no ratio"},
		{"one limit under a guard band, nothing known", "", "limit: vo >= 4.9 V, rule: guard band", 0, 0, plan.Fits, "undecided within 11.5 mV of the limit"},
		{"one limit, 100 mV from what is expected", "5 V", "limit: vo >= 4.9 V, rule: guard band", 0.1 / u, 0, plan.Fits, "100 mV from the limit / 11.5 mV = 8.66"},
		{"one limit, within the guard band", "5 V", "limit: vo >= 4.995 V, rule: guard band", 0.005 / u, 1, plan.Tight, "1 of 1 points are expected within the guard band"},
		{"one limit, just outside the guard band of 1.64 u", "5 V", "limit: vo >= 4.9904 V, rule: one sided", 0.0096 / u, 0, plan.Tight, "= 0.831; 4 is wanted"},
	} {
		t.Run(c.name, func(t *testing.T) {
			device := ""
			if c.device != "" {
				device = fmt.Sprintf("device: {kind: converter, in: dut.in, out: dut.out, output: %s, efficiency: 85 %%..90 %%}\n", c.device)
			}
			w := (&wiring{}).add("psu", source(nil), "dut.in", bench.Source, bench.Local, "0 ohm").
				add("dmm", &model.Model{Channels: []model.Channel{{Number: 1, Volts: []model.Range{{Full: 10, Accuracy: model.Accuracy{Offset: 10e-3}}}}}}, "dut.out", bench.Voltmeter, "", "0 ohm")
			p, found := bind(t, `
needs: {feed: {role: source, node: dut.in, volts: 0..16 V, amps: 0..2 A}}
guard: {dut.in: {volts: ..18 V}, dut.out: {volts: ..6 V}}
`+device+`
steps:
  - {source: feed, volts: 12 V, amps: 2 A}
  - measure: {vo: v(dut.out)}
  - judge: {`+c.judge+`}
`, w)
			if diag.Failed(found) != (c.verdict == plan.Misfits) || len(p.Fit.Judged) == 0 {
				t.Fatalf("%v %+v", found, p.Fit.Judged)
			}
			j := p.Fit.Judged[0]
			if math.Abs(j.Ratio-c.ratio) > 1e-6 || j.Doubtful != c.doubtful || j.Verdict != c.verdict || !strings.Contains(j.Text, c.text) || math.Abs(j.U-u) > 1e-9 {
				t.Errorf("%+v", j)
			}
		})
	}
}
