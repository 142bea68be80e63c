package verdict_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"fourwire/analysis/verdict"
)

func ExampleDecide() {
	d := verdict.Decide(verdict.GuardBand, 0.932, 0.0017, 0.93, verdict.AtLeast)
	fmt.Printf("%v: %.1f %% against at least %.1f %%, w = %.2f points, risk %.0f %%\n", d.Outcome, 100*d.Value, 100*d.Limit, 100*d.Band, 100*d.Risk)
	// Output: undecided: 93.2 % against at least 93.0 %, w = 0.34 points, risk 12 %
}

// rows reads a CSV of testdata whose first lines, after #, name its source.
func rows(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return all[1:]
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// The rules of ILAC-G8:09/2019 and ISO 14253-1 on fifteen values; the table says how it was computed.
func TestDecisionTable(t *testing.T) {
	columns := map[verdict.Rule]int{verdict.Simple: 2, verdict.OneSided: 3, verdict.GuardBand: 5, verdict.FourOutcome: 6}
	for _, row := range rows(t, "testdata/decision-rule-verdicts.csv") {
		y := number(t, row[0])
		if p := verdict.Conformity(y, 0.10, math.Inf(-1), 10.50); math.Abs(p-number(t, row[1])) > 1e-6 {
			t.Errorf("y = %v: probability of conformity %v, want %v", y, p, row[1])
		}
		for rule, column := range columns {
			got := verdict.Decide(rule, y, 0.10, 10.50, verdict.AtMost)
			mirrored := verdict.Decide(rule, -y, 0.10, -10.50, verdict.AtLeast)
			if got.Outcome != mirrored.Outcome {
				t.Errorf("y = %v, %v: %v as an upper limit, %v mirrored", y, rule, got.Outcome, mirrored.Outcome)
			}
			want := row[column]
			if rule == verdict.OneSided || rule == verdict.GuardBand {
				// the table has two outcomes: what is not accepted is "fail"; here a fail must be as sure as a pass
				if (got.Outcome == verdict.Pass) != (want == "pass") {
					t.Errorf("y = %v, %v: %v, want %v", y, rule, got.Outcome, want)
				}
				continue
			}
			if got.Outcome.String() != want {
				t.Errorf("y = %v, %v: %v, want %v", y, rule, got.Outcome, want)
			}
		}
	}
}

// Worst-case probability of a false accept, at a value on the acceptance limit. Figures: ILAC-G8 ("< 50 %", "< 2.5 %"), and
// the normal distribution.
func TestWorstCaseFalseAccept(t *testing.T) {
	for _, c := range []struct {
		rule verdict.Rule
		want float64
	}{{verdict.Simple, 0.5}, {verdict.GuardBand, 0.0227501}, {verdict.OneSided, 0.0505026}} {
		const std, limit = 0.3, 7.0
		d := verdict.Decide(c.rule, limit-c.rule.Band(std), std, limit, verdict.AtMost)
		if d.Outcome != verdict.Pass || math.Abs(d.Risk-c.want) > 1e-6 {
			t.Errorf("%v: %v with risk %v, want pass with %v", c.rule, d.Outcome, d.Risk, c.want)
		}
	}
}

func TestConformity(t *testing.T) {
	for _, c := range []struct {
		name                   string
		y, u, lower, upper     float64
		conforms, tolerance    float64
		nonconforming, nonCTol float64
	}{
		{"JCGM 106:2012 7.4, two-sided", 13.6, 1.8, 12.5, 16.3, 0.6626298, 1e-7, 0, 0},
		{"JCGM 106:2012 clause 7, breakdown voltage (from memory)", -5.47, 0.05, math.Inf(-1), -5.40, 0.9192433, 1e-7, 0, 0},
		{"JCGM 106:2012 clause 7, burst strength (from memory)", 509.7, 8.6, 490, math.Inf(1), 0.9890095, 1e-7, 0, 0},
		{"RP-19 specific risk, y = 10", 10, 0.4, 9, 11, 1 - 0.0124193, 1e-7, 0, 0},
		{"RP-19 specific risk, y = 10.5", 10.5, 0.4, 9, 11, 1 - 0.1057382, 1e-7, 0, 0},
		{"RP-19 specific risk, y = 12", 12, 0.4, 9, 11, 1 - 0.9937904, 1e-7, 0, 0},
	} {
		if got := verdict.Conformity(c.y, c.u, c.lower, c.upper); math.Abs(got-c.conforms) > c.tolerance {
			t.Errorf("%s: %.7f, want %.7f", c.name, got, c.conforms)
		}
	}
}

// Process-wide risks published with RP-19 and recomputed; the file says which column is from where.
func TestGlobalRisk(t *testing.T) {
	for _, c := range []struct {
		name                        string
		inTolerance, ratio          float64
		accept, conditional, reject float64 // percent
	}{
		{"RP-19, 60 %", 0.60, 4, 4.83860326, 8.26008199, 6.260453},
		{"RP-19, 70 %", 0.70, 4, 3.92234109, 5.72322042, 5.388530},
		{"RP-19, 80 %", 0.80, 4, 2.85583037, 3.63227145, 4.232016},
		{"RP-19, 90 %", 0.90, 4, 1.59995312, 1.79880430, 2.654585},
		{"RP-19, 95 %", 0.95, 4, 0.87100925, 0.92389664, 1.595394},
		{"RP-19, 99 %", 0.99, 4, 0.19991684, 0.20243866, 0.445636},
	} {
		process := 1 / distuv.UnitNormal.Quantile((1+c.inTolerance)/2)
		r := verdict.Global(0, process, process/c.ratio, -1, 1, 0)
		for _, v := range []struct {
			what      string
			got, want float64
		}{{"false accept", r.FalseAccept, c.accept}, {"of the accepted", r.ConditionalFalseAccept, c.conditional}, {"false reject", r.FalseReject, c.reject}} {
			if math.Abs(100*v.got-v.want) > 2e-6 {
				t.Errorf("%s: %s %.8f %%, want %.8f %%", c.name, v.what, 100*v.got, v.want)
			}
		}
	}
	// Deaver's figures as quoted with RP-19: limits at two process deviations, ratio 4: 0.8 % and 1.5 %
	if r := verdict.Global(0, 4, 1, -8, 8, 0); math.Abs(r.FalseAccept-0.00800608) > 5e-7 || math.Abs(r.FalseReject-0.01485088) > 5e-7 {
		t.Errorf("limits of two deviations: %+v", r)
	}
}

func TestWhatIsNoNumberIsUndecided(t *testing.T) {
	for _, rule := range []verdict.Rule{verdict.Simple, verdict.GuardBand, verdict.OneSided, verdict.FourOutcome} {
		for _, d := range []verdict.Decision{
			verdict.Decide(rule, math.NaN(), 1, 0, verdict.AtMost), verdict.Decide(rule, 1, math.NaN(), 0, verdict.AtMost), verdict.Decide(rule, 1, -1, 0, verdict.AtLeast),
		} {
			if d.Outcome != verdict.Undecided || d.Risk != 1 {
				t.Errorf("%v: %+v", rule, d)
			}
		}
	}
}

func TestRuleWords(t *testing.T) {
	for _, w := range verdict.Words() {
		r, err := verdict.Parse(w)
		if err != nil || strings.Contains(r.String(), "unknown") {
			t.Errorf("%q: %v, %v", w, r, err)
		}
	}
	if _, err := verdict.Parse("hope"); err == nil {
		t.Error("a word that is no rule was taken")
	}
}

// Just enough accuracy turns an undecided value into a decision; a little less does not.
func TestNeededStdDecides(t *testing.T) {
	const value, limit = 0.9312, 0.93
	need := verdict.NeededStd(verdict.GuardBand, value, limit)
	if d := verdict.Decide(verdict.GuardBand, value, need*0.999, limit, verdict.AtLeast); d.Outcome != verdict.Pass {
		t.Errorf("with u = %v: %v", need*0.999, d.Outcome)
	}
	if d := verdict.Decide(verdict.GuardBand, value, need*1.001, limit, verdict.AtLeast); d.Outcome != verdict.Undecided {
		t.Errorf("with u = %v: %v", need*1.001, d.Outcome)
	}
}
