package e2e

import (
	"context"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"fourwire/record"
	"fourwire/sequence/run"
)

const decided = `fourwire: sequence/1
title: Buoy 5 V converter, decided
rule: guard band
needs:
  feed: {role: source, node: dut.in, volts: 12 V, amps: 0..2.5 A}
  sink: {role: load, node: dut.out, amps: 0..3 A, at_volts: 4.5 V}
guard:
  dut.in: {volts: ..18 V, amps: ..2.8 A}
  dut.out: {volts: ..5.6 V, amps: ..3.3 A}
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - settle: {until: v(dut.out) within 0.2 % for 20 ms, at_most: 2 s}
  - {load: sink, hold: 1 A}
  - settle: {until: v(dut.out) within 0.2 % for 20 ms, at_most: 2 s}
  - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
    EXTRA
  - derive: {efficiency: vo * io / (vi * ii)}
  - judge: {limit: LIMIT}
`

func decide(t *testing.T, limit, extra string, o options) (*chain, record.Verdict, run.Summary) {
	t.Helper()
	o.sequence = strings.NewReplacer("LIMIT", limit, "EXTRA", extra).Replace(decided)
	c := newChain(t, "decided.yaml", o)
	s, err := c.run(context.Background(), o)
	if err != nil || len(c.verdicts) != 1 || s.Invalid+s.Unsettled != 0 {
		t.Fatalf("%v %+v %+v\n%s", err, s, c.points, strings.Join(c.events, "\n"))
	}
	return c, c.verdicts[0], s
}

// A bench without meters reads with the source's and the load's own channels, and cannot decide. The change that the verdict names is made
// to the bench file, word by word, and decides.
func TestUndecidedNamesInstrumentsThatDecide(t *testing.T) {
	lines := regexp.MustCompile(`(?m)^  - \{channel: [ad]mm-(in|out).*\n`)
	coarse := options{bench: func(s string) string { return lines.ReplaceAllString(s, "") }}
	c, v, s := decide(t, "efficiency >= 90.5 %", "aperture: 20 ms", coarse)
	if v.Outcome != record.Undecided || run.ExitStatus(s, nil) != 2 || v.Band != v.U || v.Rule != "guard band w = U (k = 2)" {
		t.Fatalf("%+v, exit status %d, ranges %v", v, run.ExitStatus(s, nil), c.points[0].Ranges)
	}
	t.Log(v.Advice)
	changes := regexp.MustCompile(`wire (\S+) at (\S+) as (voltmeter|ammeter) `).FindAllStringSubmatch(v.Advice, -1)
	if len(changes) == 0 {
		t.Fatalf("no change is named: %s", v.Advice)
	}
	better := options{bench: func(s string) string {
		s = lines.ReplaceAllString(s, "")
		for _, m := range changes {
			s = strings.Replace(s, "wiring:\n", "wiring:\n  - {channel: "+m[1]+", node: "+m[2]+", as: "+m[3]+"}\n", 1)
		}
		return s
	}, scenario: func(s string) string { // the same is done to the true wiring
		s = regexp.MustCompile(`(?m)^  - \{channel: [ad]mm-(in|out).*\n`).ReplaceAllString(s, "")
		for _, name := range []string{"dmm-in", "dmm-out", "amm-in", "amm-out"} {
			wired := false
			for _, m := range changes {
				if m[1] != name {
					continue
				}
				wired = true
				as := ""
				if m[3] == "ammeter" {
					as = ", as: ammeter"
				}
				s = strings.Replace(s, "wiring:\n", "wiring:\n  - {channel: "+name+", node: "+m[2]+as+"}\n", 1)
			}
			if !wired {
				s = regexp.MustCompile(`(?m)^  `+name+`:\n(    .*\n)+`).ReplaceAllString(s, "")
			}
		}
		return untriggered(s)
	}}
	_, after, s := decide(t, "efficiency >= 90.5 %", "aperture: 20 ms", better)
	if after.Outcome == record.Undecided {
		t.Errorf("after the change it is still undecided: %+v", after)
	}
	t.Logf("U %.3g before, %.3g after: %s, exit status %d", v.U, after.U, after.Outcome, run.ExitStatus(s, nil))
}

// Where noise rules, a longer aperture is named, and decides. Two readings of one voltage on one range share gain and offset, so that
// their difference has little but noise.
func TestUndecidedNamesATimeThatDecides(t *testing.T) {
	at := func(limit, aperture string) (*chain, record.Verdict) {
		text := strings.NewReplacer("LIMIT", "moved <= "+limit, "    EXTRA\n", "    aperture: "+aperture+"\n  - measure: {later: v(dut.out)}\n    aperture: "+aperture+"\n",
			"efficiency: vo * io / (vi * ii)", "moved: abs(later - vo)").Replace(decided)
		c := newChain(t, "decided.yaml", options{sequence: text})
		if _, err := c.run(context.Background(), options{}); err != nil || len(c.verdicts) != 1 {
			t.Fatalf("%v\n%s", err, strings.Join(c.events, "\n"))
		}
		return c, c.verdicts[0]
	}
	c, _ := at("1 V", "0.2 ms")
	cell := c.points[0].Cells["moved"]
	limit := formatG(1e6*(cell.SI+0.6*cell.U)) + " uV"
	_, v := at(limit, "0.2 ms")
	if v.Outcome != record.Undecided {
		t.Fatalf("%+v", v)
	}
	t.Log(v.Advice)
	m := regexp.MustCompile(`aperture: (\S+ \S+) in place of`).FindStringSubmatch(v.Advice)
	if m == nil {
		t.Fatalf("no aperture is named: %s", v.Advice)
	}
	if _, after := at(limit, m[1]); after.Outcome == record.Undecided {
		t.Errorf("at %s it is still undecided: %+v", m[1], after)
	}
	// the same by averaging, where the aperture is at its end
	_, long := at(limit, "2 s")
	if long.Outcome == record.Undecided {
		t.Errorf("%+v", long)
	}
}

// A range that was fixed too high: a lower one is named, and decides.
func TestUndecidedNamesARangeThatDecides(t *testing.T) {
	o := options{}
	c, _, _ := decide(t, "ii >= 1 mA", "ranges: {ii: 10 A}", o)
	cell := c.points[0].Cells["ii"]
	limit := cell.SI - 0.6*cell.U
	text := "ii >= " + formatAmps(limit)
	_, v, _ := decide(t, text, "ranges: {ii: 10 A}", o)
	if v.Outcome != record.Undecided {
		t.Fatalf("%+v", v)
	}
	m := regexp.MustCompile(`ranges: \{ii: ([^}]+)\}`).FindStringSubmatch(v.Advice)
	if m == nil {
		t.Fatalf("no range is named: %s", v.Advice)
	}
	t.Log(v.Advice)
	after, w, _ := decide(t, text, "ranges: {ii: "+m[1]+"}", o)
	if w.Outcome == record.Undecided || after.points[0].Ranges["ii"] != m[1] {
		t.Errorf("on %s it is %s: %+v", after.points[0].Ranges["ii"], w.Outcome, w)
	}
}

// Nothing on the bench decides a value that sits on its limit: the accuracy that is needed is named.
func TestUndecidedNamesTheAccuracyThatIsNeeded(t *testing.T) {
	c, _, _ := decide(t, "efficiency >= 50 %", "aperture: 20 ms", options{})
	cell := c.points[0].Cells["efficiency"]
	_, v, _ := decide(t, "efficiency >= "+formatPercent(cell.SI-0.02*cell.U), "aperture: 20 ms", options{})
	if v.Outcome != record.Undecided || !strings.Contains(v.Advice, "no single change on this bench decides it: U of ") {
		t.Errorf("%+v", v)
	}
	t.Log(v.Advice)
}

// The four outcomes are kept, and count as undecided.
func TestConditionalOutcomes(t *testing.T) {
	c, _, _ := decide(t, "efficiency >= 50 %", "aperture: 20 ms", options{})
	cell := c.points[0].Cells["efficiency"]
	for _, k := range []struct {
		at   float64 // of the limit, in U below the value
		want record.Outcome
		word string
	}{{1.2, record.Pass, ""}, {0.5, record.Undecided, "conditional pass"}, {-0.5, record.Undecided, "conditional fail"}, {-1.2, record.Fail, ""}} {
		_, v, s := decide(t, "efficiency >= "+formatPercent(cell.SI-k.at*cell.U)+", rule: four outcomes", "aperture: 20 ms", options{})
		if v.Outcome != k.want || v.Detail != k.word || !(v.Risk >= 0 && v.Risk < 1) {
			t.Errorf("at %g U: %+v", k.at, v)
		}
		if exit := run.ExitStatus(s, nil); exit != map[record.Outcome]int{record.Pass: 0, record.Undecided: 2, record.Fail: 1}[k.want] {
			t.Errorf("exit status %d for %s", exit, v.Outcome)
		}
	}
}

func formatPercent(x float64) string { return formatG(100*x) + " %" }

func formatAmps(x float64) string { return formatG(1000*x) + " mA" }

func formatG(x float64) string { return strconv.FormatFloat(x, 'f', 6, 64) }
