package sim_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// lossy is a node with a unit whose recording loses samples.
func lossy(t *testing.T, fault string) desk {
	t.Helper()
	d := sit(t, build(t, "lossy.yaml", faultless("")+"faults:\n  - "+fault+"\n"))
	d.say("smu", ":SOUR:VOLT 3;:OUTP ON")
	return d
}

// An open gap makes the index jump by what is missing, and the unit owns up to it. The count of samples taken goes on in both.
func TestRecordingGap(t *testing.T) {
	for _, c := range []struct {
		fault string
		lost  int64
		jump  int64 // index at which the second part starts
	}{
		{"{kind: recording-gap, instrument: smu, into: 2 s, for: 3 ms}", 3, 2003},
		{"{kind: silent-gap, instrument: smu, into: 2 s, for: 3 ms}", 0, 2000},
	} {
		d := lossy(t, c.fault)
		d.record("smu", "CURR", 1e-3)
		d.wait(5 * time.Second)
		d.say("smu", ":TRAC:FEED:CONT NEV")
		taken, lost, _, _ := d.totals("smu")
		first, second := d.fetch("smu", 2000, 0), d.fetch("smu", 10_000, 0)
		if first.start != 0 || first.count != 2000 || second.start != c.jump || lost != c.lost || second.lost != c.lost {
			t.Errorf("%s: %d from %d and then from %d, %d lost", c.fault, first.count, first.start, second.start, lost)
		}
		if got := first.count + second.count; got != taken-3 {
			t.Errorf("%s: %d samples of %d that were taken; 3 are missing", c.fault, got, taken)
		}
	}
}

// A gap at a moment strikes the recording that is under way then.
func TestRecordingGapAtAMoment(t *testing.T) {
	d := lossy(t, "{kind: recording-gap, instrument: smu, at: 4 s, for: 200 ms}")
	d.wait(3*time.Second - d.b.Truth().At)
	d.record("smu", "CURR", 10e-3)
	d.wait(5 * time.Second)
	first, second := d.fetch("smu", 10_000, 0), d.fetch("smu", 10_000, 0)
	if first.count != 100 || second.start != 120 || second.lost != 20 {
		t.Errorf("%d samples, then from %d, %d lost", first.count, second.start, second.lost)
	}
}

// Of a quarter of the answers the samples vanish: what arrives and what is lost together are what was taken.
func TestDroppedBlocks(t *testing.T) {
	lost := func() (lost int64) {
		d := lossy(t, "{kind: drop-blocks, instrument: smu, fraction: 25 %}")
		d.record("smu", "CURR", 100e-6)
		next, got, jumps := int64(0), int64(0), 0
		for range 200 {
			s := d.fetch("smu", 100, 100)
			if s.start != next {
				jumps++
			}
			next = s.start + s.count
			got, lost = got+s.count, s.lost
		}
		if got != 20_000 || got+lost != next {
			t.Errorf("%d arrive, %d are lost, the next is %d", got, lost, next)
		}
		if share := float64(lost) / float64(next); share < 0.15 || share > 0.35 || jumps < 30 {
			t.Errorf("%.2f of the samples are lost, in %d places", share, jumps)
		}
		return lost
	}
	if a, b := lost(), lost(); a != b {
		t.Errorf("the same seed loses %d and %d samples", a, b)
	}
}

// An answer with samples is one answer, whatever bytes it holds, on a bench where things go wrong.
func TestAnswersStayWhole(t *testing.T) {
	d := lossy(t, "{kind: no-answer, instrument: smu, heard: \"DATA?\", nth: 30}")
	d.record("smu", "CURR", 100e-6)
	for i := range 29 {
		if s := d.fetch("smu", 3000, 3000); s.count != 3000 || s.start != int64(3000*i) {
			t.Fatalf("answer %d has %d samples from %d", i, s.count, s.start)
		}
	}
	l := d.link("smu")
	ctx, cancel := d.b.Clock().WithTimeout(example(), time.Second)
	defer cancel()
	_ = l.Send(ctx, []byte(":TRAC:DATA? 3000,3000"))
	if answer, err := l.Receive(ctx, nil); err == nil {
		t.Errorf("the lost answer has %d bytes", len(answer))
	}
}

// Repeated boots that never reach a transmission: behind a high resistance the start alone pulls the supply down.
func TestRepeatedBoots(t *testing.T) {
	text := strings.Replace(reference, "PERIOD", "60 s", 1)
	text = strings.Replace(text, "boot: 0 A\n    boot_time: 0 s", "boot: 20 mA\n    boot_time: 100 ms\n    bulk_capacitor: 100 uF\n    reset_time: 5 ms", 1)
	d := sit(t, build(t, "boots.yaml", text))
	d.say("smu", ":OUTP:IMP 90;:SOUR:VOLT 3;:OUTP ON")
	d.wait(2 * time.Second)
	truth := d.b.Truth().Nodes["node"]
	states := map[string]int{}
	for _, e := range d.b.NodeEvents("node") {
		states[e.State]++
		if e.State == "off" && e.Duration < 5*time.Millisecond {
			t.Errorf("it is off for %v", e.Duration)
		}
	}
	if truth.Boots < 10 || truth.Cycles != 0 || states["boot"] < 10 || states["transmit"] != 0 {
		t.Errorf("%+v %v", truth, states)
	}
	d.say("smu", ":OUTP:IMP 5")
	d.wait(2 * time.Second)
	if truth := d.b.Truth().Nodes["node"]; truth.Cycles != 1 || truth.State != "sleep" {
		t.Errorf("behind 5 ohm: %+v", truth)
	}
}

// A cell feeds the node: what the node takes, the cell has lost, and its charge falls by exactly that. Under a load that is too much its
// protection opens, and closes again when the load is gone.
func TestCellFeedsNode(t *testing.T) {
	text := fmt.Sprintf(`%s
  cell: {kind: battery, plus: bat, chemistry: li-ion, capacity: 100 mAh, charge: 40 %%, cutoff: 3.2 V, recover: 3.5 V, self_discharge: 0 %%, resistance: 200 mohm}
instruments:
  sink: {kind: load, processing: 0 s}
wiring:
  - {channel: sink, node: bat, lead: 1 mohm}
`, strings.TrimSpace(strings.Replace(strings.Split(reference, "instruments:")[0], "PERIOD", "10 s", 1)))
	d := sit(t, build(t, "cell.yaml", text))
	d.wait(10 * time.Minute)
	truth := d.b.Truth()
	node, cell := truth.Taken["node"], truth.Taken["cell"]
	load := truth.Taken["sink.1"]
	if got := -cell.Coulombs - load.Coulombs; node.Coulombs < 0.15 || abs(got/node.Coulombs-1) > 2e-8 { // the solver joins every node to ground by 1e-12 S
		t.Errorf("the node takes %g C, the cell gives %g C", node.Coulombs, got)
	}
	if got := (0.4 - truth.Batteries["cell"].Charge) * 360; abs(got/-cell.Coulombs-1) > 1e-6 {
		t.Errorf("the charge falls by %g C, the terminals gave %g C", got, -cell.Coulombs)
	}
	d.say("sink", "CURR 3;:INP ON")
	d.wait(20 * time.Millisecond)
	if b := d.b.Truth().Batteries["cell"]; !b.Open {
		t.Errorf("3 A at 200 mohm: %+v", b)
	}
	charge := d.b.Truth().Taken["sink.1"].Coulombs
	d.wait(time.Second)
	if more := d.b.Truth().Taken["sink.1"].Coulombs - charge; more > 1e-3 {
		t.Errorf("a protection that opens lets %g C through in a second", more)
	}
	d.say("sink", "INP OFF")
	d.wait(2 * time.Second)
	if b := d.b.Truth().Batteries["cell"]; b.Open || b.Volts < 3.5 {
		t.Errorf("without the load: %+v", b)
	}
}

func abs(x float64) float64 { return max(x, -x) }

// The voltage of a cell under a pulse, and behind it, in the means of a unit that only looks on: closed form of the equivalent circuit,
// R0 i + R1 i (1 - exp(-t/tau)).
func TestCellUnderAPulse(t *testing.T) {
	d := sit(t, build(t, "pulse.yaml", `fourwire: scenario/1
devices:
  cell: {kind: battery, plus: bat, capacity: 1000 Ah, open_circuit: {0 %: 3.6999999 V, 100 %: 3.7000001 V}, resistance: 50 mohm, pairs: [{resistance: 200 mohm, time: 1 s}],
    resistance_against_charge: {0 %: 100 %, 100 %: 100 %}, activation: 0 J, self_discharge: 0 %, cutoff: 0 V}
instruments:
  sink: {kind: load, processing: 0 s, channels: [{input_resistance: 0 ohm, settings: {amps: {gain: 0 %}}}]}
  smu:
    kind: source-measure-unit
    processing: 0 s
    channels: [{capacitor: 0 F, sense_input: 10 Gohm, read_volts: [{full: 5 V}]}]
wiring:
  - {channel: sink, node: bat}
  - {channel: smu, node: bat}
`))
	d.wait(time.Second)
	d.say("sink", "CURR 1")
	d.record("smu", "CURR,VOLT", 100e-3)
	d.say("sink", "INP ON")
	d.wait(3 * time.Second)
	d.say("sink", "INP OFF")
	d.wait(3 * time.Second)
	s := d.fetch("smu", 100, 0)
	if s.count != 60 {
		t.Fatalf("%d samples", s.count)
	}
	mean := func(from float64) float64 { return (math.Exp(-from) - math.Exp(-from-0.1)) / 0.1 } // of exp(-t) over an interval
	full := 1 - math.Exp(-3.0)
	for k := range 60 {
		from := float64(k) / 10
		want := 3.7 - 0.05 - 0.2*(1-mean(from))
		if k >= 30 {
			want = 3.7 - 0.2*full*mean(from-3)
		}
		if got := float64(s.values[2*k+1]); math.Abs(got-want) > 2e-5 {
			t.Errorf("from %g s on the mean is %.6f V, want %.6f V", from, got, want)
		}
	}
}
