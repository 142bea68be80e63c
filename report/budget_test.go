package report_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"fourwire/record"
	"fourwire/report"
	"fourwire/report/reporttest"
)

// JCGM 100:2008, 7.2.6: two significant digits of the uncertainty at most, the value to the same place. The first row is the guide's own
// example (10,057 62 Ω with 27 mΩ is 10,058 Ω with 0,027 Ω); the others are our own working.
func TestValuesAreRoundedToTheirUncertainty(t *testing.T) {
	for _, c := range []struct {
		x, u  float64
		value string
		text  string
	}{
		{10.05762, 0.027, "10.058", "0.027"},
		{1.23456, 0.0996, "1.23", "0.10"},
		{1.23456, 0.0994, "1.235", "0.099"},
		{123456, 1500, "123500", "1500"},
		{0.5, 0.25, "0.50", "0.25"},
		{-3.14159, 1.04, "-3.1", "1.0"},
	} {
		if value, u := (report.Scale{Factor: 1}).Numbers(c.x, c.u); value != c.value || u != c.text {
			t.Errorf("%g ± %g is %s ± %s, want %s ± %s", c.x, c.u, value, u, c.value, c.text)
		}
	}
}

func TestBudgetsAreGroupedByWhereTheyComeFrom(t *testing.T) {
	r := report.New(load(t, reporttest.Options{Mixed: true}))
	b, ok := r.Budget(34, "efficiency", "")
	if !ok || len(b.Groups) != 4 {
		t.Fatalf("%+v", b)
	}
	g := b.Groups[0]
	if g.From != "amm-in, 5 A range" || strings.Join(g.Values, " ") != "ii" || len(g.Parts) != 2 || g.Parts[0].What != "gain" {
		t.Errorf("the biggest is %+v", g)
	}
	sum := b.Rest.Share
	for i, g := range b.Groups {
		inside := 0.0
		for _, p := range g.Parts {
			inside += p.Share
		}
		if math.Abs(inside-g.Share) > 1e-12 || i > 0 && g.Share > b.Groups[i-1].Share {
			t.Errorf("%s has %g, its parts %g", g.From, g.Share, inside)
		}
		sum += g.Share
	}
	if math.Abs(sum-1) > 1e-4 {
		t.Errorf("the shares come to %g", sum)
	}
	if math.Abs(2*b.Std/r.Record.Rows[33].Cells["efficiency"].U-1) > 1e-9 {
		t.Errorf("standard uncertainty %g", b.Std)
	}
}

func TestInputsInWords(t *testing.T) {
	rec := load(t, reporttest.Options{})
	parts := []any{}
	for _, name := range []string{"dmm-in ch2 volts 20 V temperature gain", "amm-in.1 plus lead", "dmm-in input resistance", "place of the peak", "dmm-in ch1 volts 20 V noise"} {
		count := 1.0
		if strings.HasSuffix(name, "noise") {
			count = 60
		}
		parts = append(parts, map[string]any{"input": name, "kind": "noise", "share": 0.2, "inputs": count})
	}
	rec.Log = append(rec.Log, record.Event{Kind: "budget", Fields: map[string]any{"point": 0.0, "values": []any{map[string]any{"name": "best", "std": 1.0, "parts": parts}}}})
	b, _ := report.New(rec).Budget(0, "best", "")
	var got []string
	for _, p := range b.Parts() {
		got = append(got, p.From+": "+p.What)
	}
	want := "dmm-in channel 2, 20 V range: gain, away from the calibration temperature|amm-in.1: plus lead|dmm-in: input resistance|elsewhere: place of the peak|dmm-in, 20 V range: noise of 60 readings"
	if strings.Join(got, "|") != want {
		t.Errorf("%q", got)
	}
}

func TestDamagedBudgetsAreLeftOut(t *testing.T) {
	rec := load(t, reporttest.Options{})
	rec.Log = []record.Event{
		{Kind: "budget"},
		{Kind: "budget", Fields: map[string]any{"point": "x", "values": "none"}},
		{Kind: "budget", Fields: map[string]any{"point": 1.0, "values": []any{nil, 3.0, map[string]any{"name": 3.0, "parts": "none"},
			map[string]any{"name": "vi", "parts": []any{nil, 7.0, map[string]any{"input": 1.0}}, "rest": "?"}}}},
	}
	if r := report.New(rec); len(r.Worst) != 0 {
		t.Errorf("%+v", r.Worst)
	}
}

func TestWorstValues(t *testing.T) {
	r := report.New(load(t, reporttest.Options{Mixed: true}))
	var got []string
	for _, w := range r.Worst {
		got = append(got, fmt.Sprintf("%s at %d: %s", w.Name, w.Point, w.Why))
	}
	// the least certain powers are those of the least current at the highest input voltage, where offsets count most
	want := []string{"vo at 60: closest to the limit vo >= 4.9 V", "vo at 1: closest to the limit vo <= 5.1 V", "efficiency at 52: closest to the limit efficiency >= 88 %",
		"pin at 41: largest U in proportion to the value: 0.47 %", "pout at 41: largest U in proportion to the value: 0.45 %"}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("%s", strings.Join(got, "\n"))
	}
}

func TestCorrectionsArePutTogether(t *testing.T) {
	rec := load(t, reporttest.Options{})
	rec.Rows[0].Notes = []string{"ii: 900 nA through dmm-in subtracted", "vo: zero 12 uV subtracted"}
	rec.Rows[1].Notes = []string{"ii: 1.6 uA through dmm-in subtracted", "loss: a denominator is uncertain by 12 %; of 4000 random draws of the inputs 95.45 % lie within 1 W..2 W"}
	rec.Rows[2].Notes = []string{"ii: 1.2 uA through dmm-in subtracted"}
	rec.Log = append(rec.Log, record.Event{Kind: "spread", Text: strings.ReplaceAll(rec.Rows[1].Notes[1], ";", ",")}, record.Event{Kind: "drift", Text: "iout 50 mA measured once more at the end has moved: vo by 1 mV (U 2 mV)"})
	r := report.New(rec)
	if fmt.Sprint(r.Applied) != "[ii: 900 nA to 1.6 µA through dmm-in subtracted (3 points) vo: zero 12 µV subtracted (1 point)]" {
		t.Errorf("%v", r.Applied)
	}
	if len(r.Remarks) != 2 || !strings.Contains(r.Remarks[0].String(), "95.45 % lie within 1 W..2 W (1 point)") || r.Remarks[1].Points != 0 {
		t.Errorf("%v", r.Remarks)
	}
}

// The guard band lies inside the limit for acceptance and beyond it for rejection (JCGM 106:2012, 8.3.2 and 8.3.3): with w = U a value that
// passes has its whole interval on the good side.
func TestGaugeKeepsTheOrderOfThings(t *testing.T) {
	for _, c := range []struct {
		limit   string
		value   float64
		outcome record.Outcome
	}{
		{"vo >= 4.9 V", 4.95, record.Pass}, {"vo >= 4.9 V", 4.905, record.Undecided}, {"vo >= 4.9 V", 4.85, record.Fail},
		{"vo <= 4.9 V", 4.85, record.Pass}, {"vo <= 4.9 V", 4.895, record.Undecided}, {"vo <= 4.9 V", 4.95, record.Fail},
	} {
		rec := &record.Record{}
		rec.Verdicts = []record.Verdict{{Limit: c.limit, Outcome: c.outcome, Value: c.value, U: 0.02, Band: 0.02, Bound: 4.9, Unit: "V", Rule: "guard band w = U (k = 2)"}}
		g, ok := report.New(rec).Limits[0].Gauge()
		if !ok {
			t.Fatalf("%s has no picture", c.limit)
		}
		accepted, rejected := g.To < g.Limit && g.Value < g.Accept, g.From > g.Limit && g.Value > g.Reject
		if g.Lower {
			accepted, rejected = g.From > g.Limit && g.Value > g.Accept, g.To < g.Limit && g.Value < g.Reject
		}
		if accepted != (c.outcome == record.Pass) || rejected != (c.outcome == record.Fail) {
			t.Errorf("%s, %g: %+v", c.limit, c.value, g)
		}
		for _, x := range []float64{g.Limit, g.Accept, g.Reject, g.Value, g.From, g.To} {
			if !(x >= 0 && x <= 1) {
				t.Errorf("%s, %g: %+v is outside the picture", c.limit, c.value, g)
			}
		}
	}
}

func TestDecisionsInWords(t *testing.T) {
	v := record.Verdict{Limit: "efficiency >= 88 %", Outcome: record.Undecided, Value: 0.8808, U: 0.0013, Band: 0.0013, Risk: 0.109, Bound: 0.88, Unit: "1", Rule: "guard band w = U (k = 2)"}
	pass, failed, condition := v, v, v
	pass.Outcome, pass.Risk = record.Pass, 1e-7
	failed.Outcome, failed.Risk = record.Fail, 0.012
	condition.Detail = "conditional fail"
	for _, c := range []struct{ got, want string }{
		{report.RuleText(v), "guard band w = U (k = 2), here 0.13 % points"},
		{report.RiskText(v), "does not conform with probability 11 %"},
		{report.RiskText(pass), "risk of a wrong pass below 0.01 %"},
		{report.RiskText(failed), "risk of a wrong fail 1.2 %"},
		{report.RiskText(condition), "risk of a wrong fail 11 %"},
		{report.OutcomeText(condition), "undecided (conditional fail)"},
		{report.RiskText(record.Verdict{Outcome: record.NotJudged}), ""},
		{report.Share(0.4149), "41 %"}, {report.Share(0.0996), "10 %"}, {report.Share(0.024), "2.4 %"}, {report.Share(0.0002), "below 0.1 %"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
	for _, rule := range []string{"simple acceptance", "guard band w = U (k = 2)", "guard band w = 1.64 u", "four outcomes, w = U (k = 2)"} {
		if report.RuleWords(rule) == "" {
			t.Errorf("nothing is said of %q", rule)
		}
	}
}
