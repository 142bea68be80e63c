package e2e

import (
	"context"
	"os"
	"strings"
	"syscall"
	"testing"

	"fourwire/record"
	"fourwire/sequence/run"
)

// theCause is one fault and the words that must stand in the stated cause: what it is, and of whom.
type theCause struct {
	name     string
	faults   string              // of the scenario
	scenario func(string) string // other changes of the truth
	sequence func(string) string // changes of matrixSequence
	full     bool                // the disk is full after the first point
	want     []string
}

func with(pairs ...string) func(string) string {
	return func(text string) string { return strings.NewReplacer(pairs...).Replace(text) }
}

// causes are faults of the links, the instruments, the wiring and the device. The remedies are common practice of converter testing.
func causes() []theCause {
	second := `heard_by: sink, heard: ":SOUR:CURR 2"` // between the first and the second point
	return []theCause{
		{name: "the link drops", faults: `{kind: link-drops, instrument: sink, ` + second + `}`, want: []string{"the connection to sink was lost", "cable"}},
		{name: "no link any more", faults: `{kind: link-refused, instrument: feed-psu, ` + second + `}`, want: []string{"the connection to feed-psu was lost, and it takes no new one"}},
		{name: "an answer is lost", faults: `{kind: no-answer, instrument: dmm-in, ` + second + `}`, want: []string{"dmm-in does not answer", ":FETC?"}},
		{name: "a meter hangs", faults: `{kind: hangs, instrument: amm-out, ` + second + `}`, want: []string{"amm-out does not answer", "hangs"}},
		{name: "noise", faults: `{kind: garbage, instrument: amm-in, ` + second + `}`, want: []string{"an answer of amm-in makes no sense", "noise"}},
		{name: "a block that is too short", faults: `{kind: wrong-block, instrument: dmm-out, ` + second + `}`, want: []string{"an answer of dmm-out", "900 bytes are announced"}},
		{name: "answers one too late", faults: `{kind: earlier-answer, instrument: amm-in, ` + second + `}`, want: []string{"an answer of amm-in makes no sense", "earlier question"}},
		{name: "an error of the instrument itself", faults: `{kind: spontaneous-error, instrument: sink, ` + second + `, code: -330, text: Self-test failed}`, want: []string{"sink reports an error of its own", "-330"}},
		{name: "a value beyond what the instrument really takes", scenario: with("volts: 32 V", "volts: 10 V"), want: []string{"feed-psu refuses a value", "-222", "data sheet"}},
		{name: "over-voltage protection", faults: `{kind: over-voltage, instrument: feed-psu, ` + second + `}`, want: []string{"over-voltage protection tripped", "feed (feed-psu)", "sense lead"}},
		{name: "over-current protection", faults: `{kind: front-panel, instrument: sink, amps: 3.6 A, heard_by: dmm-in, heard: ":SENS:VOLT:APER 0.02"}`, want: []string{"over-current protection tripped", "sink"}},
		{name: "a source that gives less than it is set to", faults: `{kind: current-limit, instrument: feed-psu, amps: 1 mA, ` + second + `}`, scenario: with("starts_above: 4.5 V", "starts_above: 8 V"),
			want: []string{"feed is in current limit (CC)", "limits below its setting"}},
		{name: "a load that cannot", faults: `{kind: unregulated, instrument: sink, ` + second + `}`, want: []string{"sink does not hold 2 A", "voltage enough", "load itself"}},
		{name: "another instrument at the address", faults: `{kind: other-identity, instrument: feed-psu, ` + second + `}`, want: []string{"another instrument answers at the address of feed-psu", "Elsewhere,Other"}},
		{name: "a source restarts", faults: `{kind: reboots, instrument: feed-psu, link: kept, ` + second + `}`, want: []string{"feed-psu has restarted", "mains"}},
		{name: "a meter restarts", faults: `{kind: reboots, instrument: amm-out, link: kept, ` + second + `}`, want: []string{"amm-out has restarted"}},
		{name: "a voltage changed by hand", faults: `{kind: front-panel, instrument: feed-psu, volts: 8 V, ` + second + `}`, want: []string{"a setting was changed by hand", "the voltage of feed (feed-psu) is 8 V", "9 V"}},
		{name: "a load changed by hand", faults: `{kind: front-panel, instrument: sink, amps: 1 A, heard_by: dmm-in, heard: ":SENS:VOLT:APER 0.02"}`, want: []string{"a setting was changed by hand", "the level of sink (sink) is 1 A"}},
		{name: "an output switched by hand", faults: `{kind: front-panel, instrument: sink, output: off, heard_by: dmm-in, heard: ":SENS:VOLT:APER 0.02"}`, want: []string{"an output went off by itself", "sink", "front panel"}},
		{name: "a stale reading", faults: `{kind: stale-reading, instrument: amm-out, ` + second + `}`, want: []string{"a stale reading", "amm-out"}},
		{name: "a device that latches up", faults: `{kind: latch-up, node: dut.in, resistance: 60 ohm, above: 11 V}`,
			sequence: with("vin: [9 V, 12 V]", "vin: [9 V, 12 V, 9 V]", "      - sweep: {iout", "      - when: vin < 10 V\n        steps:\n          - {load: sink, hold: 100 mA}\n          - check: {returns: i(dut.in), within: 5 %, at_most: 500 ms}\n      - sweep: {iout"),
			want:     []string{"the device has latched up", "i(dut.in)", "taking its power away"}},
		{name: "a limit that is too low for the load", sequence: with("amps: 2.5 A}", "amps: 700 mA}", "iout: [500 mA, 2 A]", "iout: [500 mA, 2.5 A]"), scenario: with("starts_above: 4.5 V", "starts_above: 8 V"),
			want: []string{"feed is in current limit (CC)", "current limit reached", "700 mA allowed", "start unloaded"}},
		{name: "a device that regulates too high", scenario: with("set: 5 V", "set: 5.7 V"), want: []string{"a guard was reached", "v(dut.out) reads 5.6", "5.6 V"}},
		{name: "too little voltage for the load", scenario: with("set: 5 V", "set: 0.4 V"), want: []string{"sink does not hold", "behind its leads it has"}},
		{name: "a device that does not run", scenario: with("starts_above: 4.5 V", "starts_above: 15 V"), want: []string{"dut.out has no voltage", "the device does not run"}},
		{name: "a short at the output of the source", faults: `{kind: short, node: dut.in, resistance: 100 mohm}`, want: []string{"feed", "short"}},
		{name: "a way past the ammeter", faults: `{kind: bypassed, channel: amm-out}`, want: []string{"amm-out", "a way past the meter"}},
		{name: "two voltmeters exchanged", faults: `{kind: swapped, channel: dmm-in, with: dmm-out}`, want: []string{"wrong channel"}},
		{name: "a voltmeter the wrong way round", faults: `{kind: reversed, channel: dmm-in}`, want: []string{"dmm-in", "the wrong way round"}},
		{name: "the line of the load is open", faults: `{kind: open-lead, channel: sink}`, want: []string{"sink does not hold", "open lead"}},
		{name: "the disk is full", full: true, want: []string{"the disk with the record is full", "make room"}},
	}
}

// statedCause is the cause of the run's end; where it goes on, why the first point that is not valid is not.
func statedCause(t *testing.T, c theCause) string {
	t.Helper()
	o := options{sequence: matrixSequence}
	if c.sequence != nil {
		o.sequence = c.sequence(matrixSequence)
	}
	o.scenario = func(text string) string {
		if c.scenario != nil {
			text = c.scenario(text)
		}
		if c.faults != "" {
			text += "\nfaults:\n  - " + c.faults + "\n"
		}
		return text
	}
	chain := newChain(t, "causes.yaml", o)
	if err := chain.open(o); err != nil {
		t.Fatal(err)
	}
	config := run.Config{Plan: chain.plan, Instruments: chain.instruments, Clock: chain.sim.Clock(), Ledger: &chain.ledger, Observe: chain.observe}
	if c.full {
		config.Sink = fullAfterPoint{}
	}
	s, err := run.Run(context.Background(), config)
	if s.Cause != (run.Cause{}) {
		return s.Cause.String()
	}
	for _, p := range chain.points {
		if !p.Valid {
			return p.Why
		}
	}
	text := "nothing is said"
	if err != nil {
		text = err.Error()
	}
	return text
}

// fullAfterPoint is a record on a disk that the first point fills.
type fullAfterPoint struct{}

func (fullAfterPoint) Point(record.Point) error {
	return &os.PathError{Op: "write", Path: "points.csv", Err: syscall.ENOSPC}
}
func (fullAfterPoint) Verdict(record.Verdict) error { return nil }
func (fullAfterPoint) Result(record.Result) error   { return nil }
func (fullAfterPoint) Event(record.Event) error     { return nil }

// Of 25 injected faults 23 at least are to be named rightly; here are more, and all of them are.
func TestCauses(t *testing.T) {
	list := causes()
	right := 0
	for _, c := range list {
		got := statedCause(t, c)
		missing := ""
		for _, words := range c.want {
			if !strings.Contains(got, words) {
				missing = words
			}
		}
		if missing == "" {
			right++
			continue
		}
		t.Logf("%s: %q is not in\n  %s", c.name, missing, got)
	}
	t.Logf("%d of %d causes are right", right, len(list))
	if len(list) < 25 || right < len(list) {
		t.Errorf("%d of %d causes are right", right, len(list))
	}
}
