package run_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/sequence/run"
)

func TestNestedSweepsGiveEveryPointOnceInOrder(t *testing.T) {
	b := newFakeBench()
	k, s, err := walk(t, context.Background(), b, `
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - sweep: {vin: [9 V, 12 V]}
    label: line
    steps:
      - {source: feed, volts: vin}
      - sweep: {iout: [1 A, 2 A]}
        steps:
          - {load: sink, hold: iout}
          - repeat: 2
            steps:
              - measure: {vo: v(dut.out), io: i(dut.out)}
              - derive: {pout: vo * io}
`)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for i, p := range k.points {
		if p.Number != i+1 || !p.Valid || !p.Settled || p.Part != "line" {
			t.Errorf("point %d: %+v", i+1, p)
		}
		got = append(got, fmt.Sprintf("%g %g %g: %g V %g A %g W", p.Cells["vin"].SI, p.Cells["iout"].SI, p.Cells["n"].SI, p.Cells["vo"].SI, p.Cells["io"].SI, p.Cells["pout"].SI))
	}
	// the converter of the fakes has 10 mohm of output resistance at 5 V
	want := []string{
		"9 1 1: 4.99 V 1 A 4.99 W", "9 1 2: 4.99 V 1 A 4.99 W", "9 2 1: 4.98 V 2 A 9.96 W", "9 2 2: 4.98 V 2 A 9.96 W",
		"12 1 1: 4.99 V 1 A 4.99 W", "12 1 2: 4.99 V 1 A 4.99 W", "12 2 1: 4.98 V 2 A 9.96 W", "12 2 2: 4.98 V 2 A 9.96 W",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if s.Points != 8 || s.Outcome != record.NotJudged || run.ExitStatus(s, nil) != 0 {
		t.Errorf("summary %+v", s)
	}
	// limits are rectangular: u = a/sqrt(3) (JCGM 100:2008, 4.3.7), U = 2 u; here 0.05 % of 4.99 V, and noise of 1e-5 of 10 V
	if u, want := k.points[0].Cells["vo"].U, 2*math.Hypot(5e-4*4.99/math.Sqrt(3), 1e-4); math.Abs(u-want) > 1e-9 {
		t.Errorf("U of vo is %g, want %g", u, want)
	}
	if big := k.points[0].Cells["vo"].Biggest; big != "dmm-out gain" {
		t.Errorf("the biggest contributor is %q", big)
	}
	if n := strings.Count(strings.Join(b.calls, "\n"), "feed-psu: volts"); n != 3 {
		t.Errorf("the source's voltage was sent %d times, want 3: 12, 9 and 12 V", n)
	}
	if n := strings.Count(strings.Join(b.calls, "\n"), "feed-psu: limit"); n != 1 {
		t.Errorf("the current limit was sent %d times; it never changed", n)
	}
}

const onePoint = `
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - {load: sink, hold: 1 A}
  - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
  - derive: {efficiency: vo * io / (vi * ii)}
  - judge: {limit: efficiency >= 80 %}
`

func TestPointsInTheWrongModeAreKeptAndExplained(t *testing.T) {
	for _, c := range []struct {
		name, role, mode string
		why              []string
	}{
		{"a source in current limit", "feed", "CC", []string{"feed is in current limit (CC)", "2.5 A", "12 V", "dut.in reads 12 V"}},
		{"a source that does not regulate", "feed", "unregulated", []string{"feed does not regulate"}},
		{"a load without enough voltage", "sink", "unregulated", []string{"sink does not hold 1 A", "dut.out reads"}},
		{"a load in another mode", "sink", "CV", []string{"sink is in CV, CC (1 A) is asked"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newFakeBench()
			b.modeOf = func(role string) string {
				if role == c.role {
					return c.mode
				}
				return ""
			}
			k, s, err := walk(t, context.Background(), b, onePoint)
			if err != nil {
				t.Fatal(err)
			}
			p := k.points[0]
			if p.Valid || p.Modes[c.role] != c.mode || s.Invalid != 1 {
				t.Errorf("point %+v", p)
			}
			for _, text := range c.why {
				if !strings.Contains(p.Why, text) {
					t.Errorf("%q lacks %q", p.Why, text)
				}
			}
			if s.Outcome != record.Undecided || run.ExitStatus(s, err) != 2 {
				t.Errorf("an invalid point decided: %v", s.Outcome)
			}
			if v := k.verdicts[0]; !math.IsNaN(v.Risk) {
				t.Errorf("a value that is not valid conforms with some probability: %+v", v)
			}
		})
	}
}

// An instrument that cannot say its mode is no evidence against a point; the record says so.
func TestAModeThatIsNotKnown(t *testing.T) {
	b := newFakeBench()
	b.modeOf = func(role string) string { return map[string]string{"sink": "cannot say"}[role] }
	k, s, err := walk(t, context.Background(), b, onePoint)
	if err != nil || !k.points[0].Valid || k.points[0].Modes["sink"] != "not known" || s.Outcome != record.Pass {
		t.Errorf("%v: %+v", err, k.points)
	}
}

// A load is told apart by arithmetic: 0.4 V left behind the leads, 0.5 V needed.
func TestALoadWithTooLittleVoltageIsExplained(t *testing.T) {
	b := newFakeBench()
	b.output = func(*fakeBench) float64 { return 0.43 }
	b.modeOf = func(role string) string { return map[string]string{"sink": "unregulated"}[role] }
	k, _, err := walk(t, context.Background(), b, onePoint)
	if err != nil {
		t.Fatal(err)
	}
	if why := k.points[0].Why; !strings.Contains(why, "behind its leads it has 400 mV and needs 500 mV") {
		t.Error(why)
	}
}

func TestStopsForSafety(t *testing.T) {
	for _, c := range []struct {
		name   string
		text   string
		set    func(*fakeBench)
		exit   int
		said   string
		points int
	}{
		{"a reading outside the guard", onePoint, func(b *fakeBench) { b.output = func(*fakeBench) float64 { return 5.7 } }, 5, "v(dut.out) reads 5.7 V, which is outside its guard, ..5.6 V", 1},
		{"a reading outside the guard while it settles", strings.Replace(onePoint, "  - measure", "  - settle: {until: v(dut.out) within 1 % for 10 ms, at_most: 1 s}\n  - measure", 1),
			func(b *fakeBench) { b.output = func(*fakeBench) float64 { return 5.7 } }, 5, "outside its guard", 0},
		{"a current outside the guard", onePoint, func(b *fakeBench) { b.extraIn = 2.5 }, 5, "i(dut.in) reads", 1},
		{"a power outside the guard", "\x00" + strings.Replace(head, "volts: ..5.6 V,", "watts: ..4 W, volts: ..5.6 V,", 1) + onePoint, nil, 5, "is outside its guard, ..4 W", 1},
		{"a protection that tripped", onePoint, func(b *fakeBench) {
			b.tripped = func(role string) []string { return map[string][]string{"feed": {"over-voltage"}}[role] }
		}, 5, "feed (feed-psu) tripped: over-voltage", 1},
		{"an output that somebody switched off", onePoint, func(b *fakeBench) {
			b.modeOf = func(role string) string { return map[string]string{"feed": "off"}[role] }
		}, 4, "front panel", 1},
		{"a setpoint that rests on a measurement and is not certainly inside", `
steps:
  - {source: feed, volts: 9 V, amps: 2.5 A}
  - measure: {vi: v(dut.in)}
  - {source: feed, volts: 2 * vi}
`, nil, 5, "18 V +/-", 1},
		{"a load whose resistance means too much current", `
steps:
  - {source: feed, volts: 9 V, amps: 2.5 A}
  - measure: {vi: v(dut.in)}
  - {load: sink, hold: vi / 9 A}
`, nil, 5, "can draw 5.6 A", 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newFakeBench()
			if c.set != nil {
				c.set(b)
			}
			k, s, err := walk(t, context.Background(), b, c.text)
			if err == nil || !strings.Contains(err.Error(), c.said) || run.ExitStatus(s, err) != c.exit {
				t.Errorf("exit status %d, %v; want %d and %q", run.ExitStatus(s, err), err, c.exit, c.said)
			}
			var stop *run.Stop
			if !errors.As(err, &stop) || stop.Place.Line == 0 {
				t.Errorf("the error has no place: %v", err)
			}
			if len(k.points) != c.points {
				t.Fatalf("%d points were kept, want %d", len(k.points), c.points)
			}
			if c.points > 0 && k.points[0].Valid {
				t.Errorf("the broken-off point is not marked: %+v", k.points[0])
			}
			mustBeInOrder(t, b)
			mustBeOff(t, b, s, err)
			if b.source.on || b.load.on {
				t.Error("something is still on")
			}
		})
	}
}

// The reading that broke the guard must be in the record: it is the evidence.
func TestTheReadingOutsideTheGuardIsKept(t *testing.T) {
	b := newFakeBench()
	b.output = func(*fakeBench) float64 { return 5.7 }
	k, _, _ := walk(t, context.Background(), b, onePoint)
	if got := k.points[0].Cells["vo"].SI; got != 5.7 {
		t.Errorf("vo is %g in the record", got)
	}
}

func TestSettle(t *testing.T) {
	const text = `
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - settle: {until: v(dut.out) within 0.1 % for 20 ms, at_most: 500 ms}
  - measure: {vo: v(dut.out)}
  - judge: {limit: vo >= 4 V}
`
	since := func(b *fakeBench) float64 { return b.clock.Now().Sub(b.meters["dmm-out"].b.switchedOn()).Seconds() }
	for _, c := range []struct {
		name    string
		output  func(b *fakeBench) float64
		settled bool
	}{
		{"at once", func(*fakeBench) float64 { return 5 }, true},
		// 5 (1 - exp(-t/20 ms)) moves by less than 0.1 % in 20 ms after about 7 time constants
		{"after an exponential", func(b *fakeBench) float64 { return 5 * (1 - math.Exp(-since(b)/0.02)) }, true},
		{"never: it hunts", func(b *fakeBench) float64 { return 5 + 0.02*math.Sin(2*math.Pi*since(b)/0.013) }, false},
		{"never: it creeps", func(b *fakeBench) float64 { return 4 + since(b) }, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newFakeBench()
			b.output = c.output
			k, s, err := walk(t, context.Background(), b, text)
			if err != nil {
				t.Fatal(err)
			}
			p := k.points[0]
			if p.Settled != c.settled || !p.Valid {
				t.Fatalf("settled %v, valid %v: %s", p.Settled, p.Valid, p.Why)
			}
			if c.settled != (s.Outcome == record.Pass) {
				t.Errorf("outcome %s", s.Outcome)
			}
			if !c.settled && !strings.Contains(p.Why, "not settled after 500ms") {
				t.Errorf("why: %s", p.Why)
			}
			if c.name == "after an exponential" && p.Cells["vo"].SI < 4.99 {
				t.Errorf("it was taken for settled at %g V", p.Cells["vo"].SI)
			}
		})
	}
}

// A time-out in the outer loop marks the points of the inner one, until the outer one settles.
func TestNotSettledOutsideMarksThePointsInside(t *testing.T) {
	b := newFakeBench()
	b.output = func(b *fakeBench) float64 {
		if b.source.volts < 10 {
			return 5 + 0.1*math.Sin(1000*b.clock.Now().Sub(b.switchedOn()).Seconds())
		}
		return 5
	}
	k, s, err := walk(t, context.Background(), b, `
steps:
  - sweep: {vin: [9 V, 12 V]}
    steps:
      - {source: feed, volts: vin, amps: 2.5 A}
      - settle: {until: v(dut.out) within 0.1 % for 20 ms, at_most: 200 ms}
      - sweep: {iout: [1 A, 2 A]}
        steps:
          - {load: sink, hold: iout}
          - measure: {vo: v(dut.out)}
`)
	if err != nil {
		t.Fatal(err)
	}
	var got []bool
	for _, p := range k.points {
		got = append(got, p.Settled)
	}
	if d := cmp.Diff([]bool{false, false, true, true}, got); d != "" || s.Unsettled != 2 {
		t.Error(d, s.Unsettled)
	}
}

func TestAverageIsTheMeanAndScatterShrinks(t *testing.T) {
	b := newFakeBench()
	n := 0
	b.output = func(*fakeBench) float64 { n++; return 5 + 0.001*float64(n) }
	k, _, err := walk(t, context.Background(), b, strings.Replace(onePoint, "io: i(dut.out)}", "io: i(dut.out)}\n    average: 4", 1))
	if err != nil {
		t.Fatal(err)
	}
	// 5.001 to 5.004 V
	c := k.points[0].Cells["vo"]
	if math.Abs(c.SI-5.0025) > 1e-12 {
		t.Errorf("the mean is %.6f", c.SI)
	}
	// JCGM 100:2008, 4.2.3: the scatter of a mean of n is s/sqrt(n); the gain error is shared and stays
	if want := 2 * math.Hypot(5e-4*5.0025/math.Sqrt(3), 1e-4/2); math.Abs(c.U-want) > 1e-9 {
		t.Errorf("U is %g, want %g", c.U, want)
	}
}

// The range is chosen from a guess; a reading that overflows it is taken again on the next, all readings with it.
func TestAnOverflowingRangeIsRaised(t *testing.T) {
	b := newFakeBench()
	b.extraIn = 1.5 // the guess does not know about it
	k, _, err := walk(t, context.Background(), b, strings.Replace(onePoint, "hold: 1 A", "hold: 50 mA", 1))
	if err != nil {
		t.Fatal(err)
	}
	p := k.points[0]
	if !p.Valid || p.Ranges["ii"] != "3 A" || p.Cells["ii"].Overload {
		t.Errorf("point %+v", p)
	}
	if !k.said("i(dut.in) overflows the 100 mA range of amm-in; read again on 1 A") {
		t.Errorf("events %q", k.events)
	}
}

// The plan can only guess an input current. What the first point finds makes the next guess better: 5 V, 0.2 A at 12 V and 90 %
// are 97.6 mA with the 5 mA of the converter itself; the plan would take 1 A for its 181 mA.
func TestTheRangeOfAGuessedCurrentIsLearned(t *testing.T) {
	b := newFakeBench()
	k, _, err := walk(t, context.Background(), b, `
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - sweep: {iout: [150 mA, 160 mA]}
    steps:
      - {load: sink, hold: iout}
      - measure: {ii: i(dut.in), io: i(dut.out)}
`)
	if err != nil {
		t.Fatal(err)
	}
	if first, second := k.points[0].Ranges["ii"], k.points[1].Ranges["ii"]; first != "1 A" || second != "100 mA" {
		t.Errorf("ranges %s and %s, want 1 A and 100 mA", first, second)
	}
	if k.said("overflows") {
		t.Error(k.events)
	}
}

func TestAReadingBeyondTheLargestRangeIsMarked(t *testing.T) {
	b := newFakeBench()
	text := strings.Replace(onePoint, "steps:", "steps:\n  - note: without a guard there is no stop\n", 1)
	p := bound(t, text)
	for i := range p.Gauges {
		if p.Gauges[i].Channel.Instrument == "dmm-out" {
			p.Gauges[i].Ranges = []float64{0.1, 1}
		}
	}
	meterRangesOf := b.meters["dmm-out"]
	meterRangesOf.only = []float64{0.1, 1}
	k := &kept{}
	s, err := run.Run(context.Background(), run.Config{Plan: p, Instruments: b.instruments(), Clock: b.clock, Sink: k})
	if err != nil {
		t.Fatal(err)
	}
	pt := k.points[0]
	if pt.Valid || !pt.Cells["vo"].Overload || !math.IsNaN(pt.Cells["vo"].SI) || !strings.Contains(pt.Why, "vo overflows the 1 V range of dmm-out") {
		t.Errorf("point %+v", pt)
	}
	if !math.IsNaN(pt.Cells["efficiency"].SI) || s.Verdicts.Undecided != 1 {
		t.Errorf("something was worked out of an overflow: %+v %+v", pt.Cells["efficiency"], s.Verdicts)
	}
}

// A meter in series is on a high enough range before the current rises. Its burden, and its fuse: common practice, no source.
func TestRangesGoUpBeforeTheCurrentDoes(t *testing.T) {
	b := newFakeBench()
	if _, _, err := walk(t, context.Background(), b, smallSweep); err != nil {
		t.Fatal(err)
	}
	armed := map[string]float64{}
	for _, c := range b.calls {
		name, what, _ := strings.Cut(c, ": ")
		var number float64
		var symbol string
		switch {
		case strings.HasPrefix(what, "arm "), strings.HasPrefix(what, "begin "):
			fmt.Sscanf(strings.TrimPrefix(strings.TrimPrefix(what, "arm "), "begin "), "%g %s", &number, &symbol)
			if symbol == "mA" {
				number /= 1000
			}
			armed[name] = number
		case strings.HasPrefix(what, "hold "):
			q := quantity.MustParse(strings.TrimPrefix(what, "hold "))
			if armed["amm-out"] < q.SI {
				t.Errorf("%s with amm-out on %g A", what, armed["amm-out"])
			}
			if need := 5 * q.SI / (0.9 * 12); armed["amm-in"] < need {
				t.Errorf("%s with amm-in on %g A, %g A flow", what, armed["amm-in"], need)
			}
		case what == "output true":
			if armed["amm-in"] < 2.5 {
				t.Errorf("the source goes on with amm-in on %g A", armed["amm-in"])
			}
		}
	}
}

func TestVerdicts(t *testing.T) {
	for _, c := range []struct {
		limit   string
		outcome record.Outcome
		exit    int
	}{
		{"vo >= 4.9 V", record.Pass, 0}, {"vo >= 5 V", record.Fail, 1}, {"5 V <= vo", record.Fail, 1}, {"vo / (io - io) > 1 ohm", record.Undecided, 2},
	} {
		b := newFakeBench()
		k, s, err := walk(t, context.Background(), b, strings.Replace(onePoint, "efficiency >= 80 %", `"`+c.limit+`", clause: "4.2"`, 1))
		if err != nil {
			t.Fatal(err)
		}
		v := k.verdicts[0]
		if v.Outcome != c.outcome || run.ExitStatus(s, err) != c.exit || v.Point != 1 || v.Clause != "4.2" || v.Rule != "simple acceptance" {
			t.Errorf("%s: %+v, exit status %d", c.limit, v, run.ExitStatus(s, err))
		}
		if c.outcome == record.Fail && (v.Value != 4.99 || v.Bound != 5 || v.U == 0 || v.Unit != "V") {
			t.Errorf("%s: %+v", c.limit, v)
		}
		if c.outcome == record.Undecided && v.Why == "" {
			t.Errorf("%s: it does not say why", c.limit)
		}
	}
}

func TestSummarySeesColumnsOfGoodPoints(t *testing.T) {
	b := newFakeBench()
	b.modeOf = func(role string) string {
		if role == "feed" && b.source.volts == 12 {
			return "CC" // those points must not count
		}
		return ""
	}
	k, s, err := walk(t, context.Background(), b, `
steps:
  - {source: feed, volts: 9 V, amps: 2.5 A}
  - sweep: {vin: [9 V, 12 V, 15 V]}
    label: up
    steps:
      - {source: feed, volts: vin}
      - {load: sink, hold: vin / 10 ohm}
      - measure: {vo: v(dut.out), io: i(dut.out)}
summary:
  - derive: {most: max(io), least: min(io), how_many: count(io)}
    part: up
  - derive: {r: "-slope(vo, io)"}
  - judge: {limit: most <= 1 A, clause: "5.1"}
`)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{}
	for _, r := range k.results {
		got[r.Name] = r.SI
	}
	for name, want := range map[string]float64{"most": 1.5, "least": 0.9, "how_many": 2, "r": 0.01} { // 10 mohm: the converter of the fakes
		if math.Abs(got[name]-want) > 1e-9 {
			t.Errorf("%s is %g, want %g", name, got[name], want)
		}
	}
	if s.Verdicts.Fail != 1 || k.verdicts[0].Point != 0 {
		t.Errorf("verdicts %+v", k.verdicts)
	}
}

func TestWhenReadsANode(t *testing.T) {
	b := newFakeBench()
	k, _, err := walk(t, context.Background(), b, `
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - when: v(dut.out) > 4 V
    steps:
      - measure: {vo: v(dut.out)}
    else:
      - note: it did not start
`)
	if err != nil || len(k.points) != 1 {
		t.Fatalf("%d points, %v", len(k.points), err)
	}
	b = newFakeBench()
	b.output = func(*fakeBench) float64 { return 0.1 }
	k, _, err = walk(t, context.Background(), b, `
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - when: v(dut.out) > 4 V
    steps:
      - measure: {vo: v(dut.out)}
    else:
      - note: it did not start
`)
	if err != nil || len(k.points) != 0 || !k.said("it did not start") {
		t.Errorf("%d points, %v, %q", len(k.points), err, k.events)
	}
}

func TestWhatStandsAfterwardsIsSaid(t *testing.T) {
	for _, c := range []struct {
		volts float64
		said  string
		gone  bool
	}{{0.2, "dut.in is discharged: 200 mV", true}, {3.2, "dut.in is still at 3.2 V after 3 s, and it does not fall", false}} {
		b := newFakeBench()
		b.stands = c.volts
		k, s, err := walk(t, context.Background(), b, onePoint)
		if err != nil {
			t.Fatal(err)
		}
		if !k.said(c.said) || len(s.Nodes) != 2 || s.Nodes[0].Discharged != c.gone {
			t.Errorf("%g V: %+v, %q", c.volts, s.Nodes, k.events)
		}
	}
}

// A source step that switches off takes the load off first, although the sequence does not say so.
func TestALoadGoesOffBeforeItsSource(t *testing.T) {
	b := newFakeBench()
	if _, _, err := walk(t, context.Background(), b, onePoint+"  - {source: feed, output: off}\n"); err != nil {
		t.Fatal(err)
	}
	var order []string
	for _, c := range b.calls {
		if strings.HasSuffix(c, "false") && !strings.Contains(c, "sense") {
			order = append(order, c)
		}
	}
	if d := cmp.Diff([]string{"sink: input false", "feed-psu: output false", "sink: input false", "feed-psu: output false"}, order); d != "" {
		t.Error(d)
	}
}

func TestTheSamePlanGivesTheSameCalls(t *testing.T) {
	a, b := newFakeBench(), newFakeBench()
	if _, _, err := walk(t, context.Background(), a, smallSweep); err != nil {
		t.Fatal(err)
	}
	if _, _, err := walk(t, context.Background(), b, smallSweep); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(a.calls, b.calls); d != "" || !a.clock.Now().Equal(b.clock.Now()) {
		t.Error(d)
	}
}

// BenchmarkPoint is the runner's own cost of one sweep point with four readings, two derived values and a verdict; the
// promise is less than 100 us. What the fakes cost is in it.
func BenchmarkPoint(b *testing.B) {
	const points = 1000
	p := bound(b, fmt.Sprintf(`
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - sweep: {iout: {from: 10 mA, to: 3 A, points: %d}}
    steps:
      - {load: sink, hold: iout}
      - settle: {until: v(dut.out) within 0.1 %% for 10 ms, at_most: 1 s}
      - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
      - derive: {pin: vi * ii, efficiency: vo * io / pin}
      - judge: {limit: efficiency >= 80 %%}
`, points))
	b.ReportAllocs()
	for b.Loop() {
		f := newFakeBench()
		f.quiet = true
		if _, err := run.Run(context.Background(), run.Config{Plan: p, Instruments: f.instruments(), Clock: f.clock, Ledger: &f.ledger}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/points/1000, "us/point")
}
