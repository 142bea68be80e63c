package run_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"fourwire/driver"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
)

// The true value stands exactly at the limit; readings are drawn about it from the distribution that their own budget states. Each
// rule must accept no more of them than its stated risk: JCGM 106:2012 and ILAC-G8:09/2019 give 50 % for simple acceptance, 2.275 % for
// w = U = 2u, 5.05 % for w = 1.64 u (the normal distribution function at -2 and -1.64).
func TestFalseAcceptsAtTheLimit(t *testing.T) {
	const draws = 5000
	for _, rule := range []struct {
		word string
		risk float64
	}{{"simple", 0.5}, {"guard band", 0.0227501}, {"one sided", 0.0505026}, {"four outcomes", 0.0227501}} {
		t.Run(rule.word, func(t *testing.T) {
			b := newFakeBench()
			b.quiet = true
			r := rand.New(rand.NewPCG(11, 7))
			id := b.ledger.Shared(measured.Input{Name: "dmm-out gain", Kind: measured.Gain})
			b.meters["dmm-out"].reading = func() driver.Reading {
				return driver.Reading{Value: measured.New(quantity.Of(5+1e-3*r.NormFloat64(), quantity.Voltage), measured.Term{Input: id, Part: 1e-3}), RangeFull: 10}
			}
			text := fmt.Sprintf(`steps:
  - {source: feed, volts: 12 V, amps: 2 A}
  - repeat: %d
    steps:
      - measure: {vo: v(dut.out)}
      - judge: {limit: vo >= 5 V, rule: %s}
`, draws, rule.word)
			log, s, err := walk(t, context.Background(), b, text)
			if err != nil || len(log.verdicts) != draws {
				t.Fatalf("%v, %d verdicts", err, len(log.verdicts))
			}
			share := float64(s.Verdicts.Pass) / draws
			// three standard deviations of the share itself
			if most := rule.risk + 3*math.Sqrt(rule.risk*(1-rule.risk)/draws); share > most {
				t.Errorf("%.2f %% are accepted at the limit, %.2f %% are stated", 100*share, 100*rule.risk)
			}
			if share < rule.risk/2 {
				t.Errorf("%.2f %% are accepted: the rule is stricter than it says", 100*share)
			}
			t.Logf("%.2f %% accepted, %.2f %% stated", 100*share, 100*rule.risk)
			for _, v := range log.verdicts {
				if v.Outcome == record.Pass && rule.word != "simple" && v.Risk > rule.risk+1e-6 {
					t.Fatalf("a pass with the risk %g: %+v", v.Risk, v)
				}
			}
		})
	}
}

// A quotient by a current that is uncertain by 20 %: x normal about 1 A with u = 0.2 A, y = 1 V/x. The shortest interval that holds
// 95.45 % (JCGM 101:2008, 5.3.4) follows from the normal distribution function by itself, without a draw; the straight line gives 0.6..1.4
// with U = 0.4 ohm.
func TestDoubtfulQuotientsAreDrawn(t *testing.T) {
	b := newFakeBench()
	gain := b.ledger.Shared(measured.Input{Name: "amm-out gain", Kind: measured.Gain})
	b.meters["amm-out"].reading = func() driver.Reading {
		return driver.Reading{Value: measured.New(quantity.Of(1, quantity.Current), measured.Term{Input: gain, Part: 0.2}), RangeFull: 3}
	}
	b.meters["dmm-out"].reading = func() driver.Reading {
		return driver.Reading{Value: measured.Exact(quantity.Of(1, quantity.Voltage)), RangeFull: 10}
	}
	log, _, err := walk(t, context.Background(), b, `steps:
  - {source: feed, volts: 12 V, amps: 2 A}
  - measure: {vo: v(dut.out), io: i(dut.out)}
  - derive: {ohms: vo / io, watts: vo * io}
  - judge: {limit: ohms <= 1.42 ohm, rule: guard band}
summary:
  - derive: {least: min(vo / io)}
`)
	if err != nil {
		t.Fatal(err)
	}
	phi := func(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
	inside := func(low, high float64) float64 { return phi((1/low-1)/0.2) - phi((1/high-1)/0.2) }
	want, width := 0.0, math.Inf(1)
	for low := 0.5; low < 0.95; low += 1e-4 {
		high := low
		for step := 1.0; step > 1e-6; step /= 2 {
			if inside(low, high+step) < 0.9544997 {
				high += step
			}
		}
		if high < 3 && high-low < width {
			width, want = high-low, high-1
		}
	}
	cell := log.points[0].Cells["ohms"]
	if math.Abs(cell.U/want-1) > 0.1 {
		t.Errorf("U is %.3f ohm, the distribution gives %.3f ohm", cell.U, want)
	}
	if notes := strings.Join(log.points[0].Notes, "; "); !strings.Contains(notes, "ohms: a denominator is uncertain by 20 %; of 4000 random draws") || strings.Contains(notes, "watts") {
		t.Errorf("notes: %s", notes)
	}
	if !log.said("spread: ohms: ") || !log.said("spread: least: ") || math.Abs(log.results[0].U/want-1) > 0.1 {
		t.Errorf("%v %+v", log.events, log.results)
	}
	if v := log.verdicts[0]; v.Outcome != record.Undecided || math.Abs(v.U/cell.U-1) > 0.1 {
		t.Errorf("the verdict does not know: %+v", v)
	}
}
