package sweep_test

import (
	"fmt"
	"math"
	"testing"

	"fourwire/analysis/sweep"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// A constructed supply (computed, no publication): 3, 6, 9, 12 W at 86.0, 87.5, 87.9, 87.4 % average 87.2000 %; output over
// input energy would be 87.4269 %, which is not the regulated figure.
func TestAverageActiveEfficiency(t *testing.T) {
	p, eta := exact(quantity.Power, 3, 6, 9, 12), exact(quantity.Ratio, 0.860, 0.875, 0.879, 0.874)
	a, err := sweep.AverageAt(eta, p, one(12, quantity.Power), sweep.ExternalSupply().Parts, nil)
	if err != nil || a.Interpolated() {
		t.Fatalf("%+v %v", a, err)
	}
	near(t, "average", a.Mean.X, 0.872000, 1e-12)
	limit, err := sweep.LimitOf(sweep.EU2019, sweep.BasicVoltage, 12)
	if err != nil || a.Mean.X < limit.Average {
		t.Errorf("%v does not pass %v, %v", a.Mean.X, limit, err)
	}
}

// By hand. The loads measured lie near enough to be taken as they are, or the line between two points is used and flagged.
func TestAverageAt(t *testing.T) {
	var l measured.Ledger
	io := exact(quantity.Current, 0.1, 1, 1.52, 2.4, 2.98)
	eta := read(&l, "power", quantity.Ratio, 1e-3, 0, 1e-3, 0.70, 0.90, 0.92, 0.91, 0.90)
	a, err := sweep.AverageAt(eta, io, one(3, quantity.Current), sweep.ExternalSupply().Parts, nil)
	if err != nil {
		t.Fatal(err)
	}
	quarter, three := 0.70+0.2*(0.65/0.9), 0.92-0.01*(0.73/0.88)
	near(t, "average", a.Mean.X, (quarter+0.92+three+0.90)/4, 1e-12)
	for i, want := range []bool{true, false, true, false} {
		if a.Points[i].Interpolated != want {
			t.Errorf("point %d: interpolated %v", i+1, a.Points[i].Interpolated)
		}
	}
	near(t, "load of the last", a.Points[3].X.X, 2.98, 0)
	// the gain error stays; the scatter of the points averages
	scatter := 1e-3 / 4 * math.Sqrt(math.Pow(0.25/0.9, 2)+math.Pow(0.65/0.9, 2)+math.Pow(1+0.15/0.88, 2)+math.Pow(0.73/0.88, 2)+1)
	near(t, "u", a.Mean.Std(), math.Hypot(1e-3*a.Mean.X, scatter), 1e-12)

	for _, c := range []struct {
		what  string
		full  float64
		parts []float64
	}{{"beyond the points", 4, []float64{1}}, {"below the points", 3, []float64{0.001}}, {"no loads", 3, nil}, {"no full load", 0, []float64{1}}} {
		if _, err := sweep.AverageAt(eta, io, one(c.full, quantity.Current), c.parts, nil); err == nil {
			t.Errorf("%s: an average nevertheless", c.what)
		}
	}
	if s := sweep.InternalSupply(); !s.FromMemory || len(s.Parts) != 4 || s.Parts[0] != 0.1 {
		t.Errorf("%+v", s)
	}
}

var tableCategory = map[string]sweep.Category{
	"AC-DC basic": sweep.BasicVoltage, "AC-DC": sweep.BasicVoltage, "AC-DC low": sweep.LowVoltage, "low voltage": sweep.LowVoltage,
	"multiple-voltage": sweep.MultipleVoltage, "multiple voltage": sweep.MultipleVoltage, "AC-AC": sweep.ACtoAC, "AC-AC basic": sweep.ACtoAC,
}

// Every row of the rules' tables (testdata/eps-limits.csv, where the source of each row stands), inside and at its upper end;
// rows from memory are marked so.
func TestSupplyLimitsAgainstTheTables(t *testing.T) {
	c := table(t, "eps-limits.csv")
	for i := range c["law"] {
		law := map[string]sweep.Law{"EU": sweep.EU2019, "US": sweep.US430}[c["law"][i]]
		category := tableCategory[c["category"][i]]
		low, high := number(t, c["lo_W"][i]), number(t, c["hi_W"][i])
		for _, p := range []float64{low + 0.01, (low + min(high, 1000)) / 2, min(high, 1000)} {
			got, err := sweep.LimitOf(law, category, quantity.Watt(p))
			if err != nil {
				t.Errorf("%s, %s at %g W: %v", law, category, p, err)
				continue
			}
			want := number(t, c["a"][i])*math.Log(p) + number(t, c["b"][i])*p + number(t, c["c"][i])
			if math.Abs(got.Average-want) > 1e-12 || float64(got.NoLoad) != number(t, c["no_load_W"][i]) || got.FromMemory != (c["provenance"][i] == "memory") {
				t.Errorf("%s, %s at %g W: %+v, want %v and %s W (%s)", law, category, p, got, want, c["no_load_W"][i], c["provenance"][i])
			}
		}
	}
}

// Worked values (testdata/eps-examples.csv).
func TestSupplyLimitExamples(t *testing.T) {
	c := table(t, "eps-examples.csv")
	for i := range c["P_W"] {
		p := number(t, c["P_W"][i])
		for name, category := range map[string]sweep.Category{"basic": sweep.BasicVoltage, "low": sweep.LowVoltage, "multiple": sweep.MultipleVoltage} {
			got, err := sweep.LimitOf(sweep.US430, category, quantity.Watt(p))
			if err != nil {
				t.Fatal(err)
			}
			near(t, fmt.Sprintf("%s at %g W", name, p), got.Average, number(t, c[name][i]), 5.1e-7)
		}
	}
}

// Older marks as quoted by makers of supplies: V 0.0626 ln P + 0.622 and 0.87 above 49 W, low voltage 0.075 ln P + 0.561;
// IV 0.5 P below 1 W, 0.09 ln P + 0.5, 0.85 above 51 W.
func TestOlderMarks(t *testing.T) {
	for _, c := range []struct {
		law      sweep.Law
		category sweep.Category
		watts    quantity.Watt
		want     float64
	}{
		{sweep.MarkV, sweep.BasicVoltage, 0.5, 0.38}, {sweep.MarkV, sweep.BasicVoltage, 10, 0.0626*math.Log(10) + 0.622}, {sweep.MarkV, sweep.BasicVoltage, 60, 0.87},
		{sweep.MarkV, sweep.LowVoltage, 5, 0.075*math.Log(5) + 0.561}, {sweep.MarkV, sweep.LowVoltage, 60, 0.86},
		{sweep.MarkIV, sweep.BasicVoltage, 0.8, 0.4}, {sweep.MarkIV, sweep.BasicVoltage, 50, 0.09*math.Log(50) + 0.5}, {sweep.MarkIV, sweep.LowVoltage, 60, 0.85},
	} {
		got, err := sweep.LimitOf(c.law, c.category, c.watts)
		if err != nil || math.Abs(got.Average-c.want) > 1e-12 || !math.IsNaN(float64(got.NoLoad)) {
			t.Errorf("%s, %s at %s: %+v, %v; want %v", c.law, c.category, c.watts, got, err, c.want)
		}
	}
}

// Outside the scope of a rule there is no limit: the EU's ends at 250 W (scope as published with the regulation).
func TestBeyondTheRules(t *testing.T) {
	for _, c := range []struct {
		law      sweep.Law
		category sweep.Category
		watts    quantity.Watt
	}{{sweep.EU2019, sweep.BasicVoltage, 251}, {sweep.US430, sweep.BasicVoltage, 0}, {sweep.US430, sweep.BasicVoltage, quantity.Watt(nan)}, {sweep.MarkV, sweep.MultipleVoltage, 10}, {0, sweep.BasicVoltage, 10}, {99, 99, 10}} {
		if got, err := sweep.LimitOf(c.law, c.category, c.watts); err == nil {
			t.Errorf("%s, %s at %s: %+v", c.law, c.category, c.watts, got)
		}
	}
	if sweep.CategoryOf(5, 2) != sweep.LowVoltage || sweep.CategoryOf(6, 2) != sweep.BasicVoltage || sweep.CategoryOf(5, 0.5) != sweep.BasicVoltage {
		t.Error("low voltage is below 6 V and at 550 mA or more")
	}
}

func ExampleLimitOf() {
	limit, err := sweep.LimitOf(sweep.EU2019, sweep.CategoryOf(5, 2), 10)
	fmt.Printf("%s, %s: at least %.2f %% (%s), no load at most %s %v\n", limit.Law, limit.Category, 100*limit.Average, limit.Formula, limit.NoLoad, err)
	// Output: Regulation (EU) 2019/1782, AC-DC low voltage: at least 78.70 % (0.0834 ln P -0.0014 P +0.609), no load at most 100 mW <nil>
}
