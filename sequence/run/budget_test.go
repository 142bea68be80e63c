package run_test

import (
	"context"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/sequence/run"
)

// keptBudgets is a sink that keeps the budgets as a reader of the record gets them.
type keptBudgets struct {
	kept
	budgets []keptBudget
}

type keptBudget struct {
	Point int
	Name  string
	Std   float64
	Parts []struct {
		Input, Kind string
		Share       float64
		Inputs      int
	}
	Rest struct {
		Inputs int
		Share  float64
	}
}

func (k *keptBudgets) Event(e record.Event) error {
	if e.Kind != "budget" {
		return nil
	}
	data, err := json.Marshal(e.Fields)
	if err != nil {
		return err
	}
	var of struct {
		Point  int
		Values []keptBudget
	}
	if err := json.Unmarshal(data, &of); err != nil {
		return err
	}
	for _, b := range of.Values {
		b.Point = of.Point
		k.budgets = append(k.budgets, b)
	}
	return nil
}

func (k *keptBudgets) of(t *testing.T, point int, name string) keptBudget {
	t.Helper()
	for _, b := range k.budgets {
		if b.Point == point && b.Name == name {
			return b
		}
	}
	t.Fatalf("no budget of %q at point %d in %+v", name, point, k.budgets)
	return keptBudget{}
}

func keepBudgets(t *testing.T, text string) *keptBudgets {
	t.Helper()
	f := newFakeBench()
	k := &keptBudgets{}
	if _, err := run.Run(context.Background(), run.Config{Plan: bound(t, text), Instruments: f.instruments(), Clock: f.clock, Ledger: &f.ledger, Sink: k}); err != nil {
		t.Fatal(err)
	}
	return k
}

const budgetSweep = `
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - sweep: {iout: [0.5 A, 1 A, 2 A]}
    steps:
      - {load: sink, hold: iout}
      - settle: {until: v(dut.out) within 0.1 % for 10 ms, at_most: 1 s}
      - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
      - derive: {pin: vi * ii, efficiency: vo * io / pin}
      - judge: {limit: efficiency >= 50 %}
      - judge: {limit: vi - vo >= 5 V}
summary:
  - derive: {middle: mean(vo)}
`

// The relative standard uncertainties of a product of powers add in squares (JCGM 100:2008, 5.1.6): each share is one square over
// their sum.
func TestBudgetOfAQuotientFollowsTheRelativeUncertainties(t *testing.T) {
	k := keepBudgets(t, budgetSweep)
	for _, p := range k.points {
		want := map[string]float64{}
		sum := 0.0
		for name, meter := range map[string]string{"vi": "dmm-in", "ii": "amm-in", "vo": "dmm-out", "io": "amm-out"} {
			full, err := quantity.Parse(p.Ranges[name])
			if err != nil {
				t.Fatal(err)
			}
			gain, noise := 5e-4/math.Sqrt(3), 1e-5*full.SI/p.Cells[name].SI
			want[meter+" gain"], want[meter+" noise"] = gain*gain, noise*noise
			sum += gain*gain + noise*noise
		}
		b := k.of(t, p.Number, "efficiency")
		named, before := 0.0, 1.0
		for _, part := range b.Parts {
			if math.Abs(part.Share-want[part.Input]/sum) > 2e-5 {
				t.Errorf("point %d: share of %s is %g, the formula gives %g", p.Number, part.Input, part.Share, want[part.Input]/sum)
			}
			if part.Share > before || part.Share < 0.001 {
				t.Errorf("point %d: %s has %g after %g", p.Number, part.Input, part.Share, before)
			}
			if !strings.HasSuffix(part.Input, part.Kind) {
				t.Errorf("%s is of the kind %s", part.Input, part.Kind)
			}
			named, before = named+part.Share, part.Share
		}
		if len(b.Parts)+b.Rest.Inputs != 8 || math.Abs(named+b.Rest.Share-1) > 1e-4 {
			t.Errorf("point %d: %d named and %d more inputs, shares %g and %g", p.Number, len(b.Parts), b.Rest.Inputs, named, b.Rest.Share)
		}
		if rel := math.Sqrt(sum) * p.Cells["efficiency"].SI; math.Abs(b.Std/rel-1) > 1e-9 {
			t.Errorf("point %d: standard uncertainty %g, the formula gives %g", p.Number, b.Std, rel)
		}
	}
	if len(k.points) != 3 {
		t.Errorf("%d points", len(k.points))
	}
}

// A gain that all readings share stays whole in their mean, noise of n readings falls with the root of n (JCGM 100:2008, 5.2.2 and
// 4.2.3); in the budget the noises are one line.
func TestBudgetOfAMeanTakesReadingsTogether(t *testing.T) {
	k := keepBudgets(t, budgetSweep)
	b := k.of(t, 0, "middle")
	var mean, noise float64
	for _, p := range k.points {
		mean += p.Cells["vo"].SI / 3
		full, err := quantity.Parse(p.Ranges["vo"])
		if err != nil {
			t.Fatal(err)
		}
		noise += math.Pow(1e-5*full.SI/3, 2)
	}
	gain := math.Pow(5e-4/math.Sqrt(3)*mean, 2)
	if len(b.Parts) != 2 || b.Parts[0].Input != "dmm-out gain" || b.Parts[0].Inputs != 0 || b.Parts[1].Input != "dmm-out noise" || b.Parts[1].Inputs != 3 {
		t.Fatalf("%+v", b)
	}
	if want := noise / (gain + noise); math.Abs(b.Parts[1].Share-want) > 2e-5 {
		t.Errorf("share of the noise is %g, the formula gives %g", b.Parts[1].Share, want)
	}
}

func TestBudgetOfWhatIsCompared(t *testing.T) {
	k := keepBudgets(t, budgetSweep)
	b := k.of(t, 2, "vi - vo >= 5 V")
	if len(b.Parts) < 2 || b.Parts[0].Input != "dmm-in gain" || b.Parts[1].Input != "dmm-out gain" {
		t.Errorf("%+v", b)
	}
	for _, b := range k.budgets {
		if b.Name == "efficiency >= 50 %" {
			t.Error("the value compared is a column with a budget of its own")
		}
	}
	if len(k.budgets) != 3*7+1 {
		t.Errorf("%d budgets of 3 points with six values and a difference, and of one result", len(k.budgets))
	}
}
