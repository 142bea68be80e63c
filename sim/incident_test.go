package sim_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"fourwire/internal/diag"
	"fourwire/sim"
	"fourwire/transport"
)

// troubledBench is a source on a resistor with a meter, and faults.
func troubledBench(t *testing.T, faults string) *sim.Bench {
	t.Helper()
	text := `fourwire: scenario/1
devices:
  r: {kind: resistor, plus: out, resistance: 10 ohm}
instruments:
  psu: {kind: source, identity: "Lakeside,Feed,S1,1", processing: 1 ms, channels: [{volts: 32 V, amps: 5 A, read_volts: [{full: 40 V}], read_amps: [{full: 6 A}]}]}
  sink: {kind: load, identity: "Lakeside,Sink,S2,1", processing: 1 ms}
wiring:
  - {channel: psu, node: out}
  - {channel: sink, node: out}
faults:
` + faults
	var found diag.Findings
	s := sim.Read("f", []byte(text), &found)
	if s == nil {
		t.Fatal(found.List())
	}
	b, err := sim.New(s, sim.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// talk sends lines over a link, and gives the answers of those with a question mark.
func talk(b *sim.Bench, l transport.Link, lines ...string) string {
	ctx, cancel := b.Clock().WithTimeout(context.Background(), time.Second)
	defer cancel()
	var out []string
	for _, line := range lines {
		if line == "pause" {
			_ = b.Clock().Sleep(context.Background(), 50*time.Millisecond)
			continue
		}
		if line == "redial" {
			if r, _ := transport.As[transport.Redialer](l); r.Redial(ctx) != nil {
				out = append(out, "refused")
			}
			continue
		}
		err := l.Send(ctx, []byte(line))
		if err == nil && strings.Contains(line, "?") {
			var answer []byte
			if answer, err = l.Receive(ctx, nil); err == nil {
				out = append(out, fmt.Sprintf("%.30s", answer))
			}
		}
		switch {
		case errors.Is(err, transport.ErrLost):
			out = append(out, "lost")
		case errors.Is(err, transport.ErrTimeout):
			out = append(out, "time-out")
		case errors.Is(err, transport.ErrAstray):
			out = append(out, "astray")
		case err != nil:
			out = append(out, err.Error())
		}
	}
	return strings.Join(out, " ")
}

// What each fault does to a conversation with a source at 5 V on 10 ohm, 0.5 A. PON is bit 7 (IEEE 488.2 clause 11.5.1); 2 is the questionable
// condition of a source in voltage mode, 1 in current mode.
func TestIncidents(t *testing.T) {
	on := []string{"*CLS;:VOLT 5;:CURR 2;:OUTP ON;*OPC?"}
	for _, c := range []struct {
		name, fault, want string
		lines             []string
	}{
		{"undisturbed", "[]", "1 5.00000000E+00 0,\"No error\"", []string{"VOLT?", "SYST:ERR?"}},
		{"the link drops and comes back", `[{kind: link-drops, instrument: psu, heard: "VOLT?"}]`, "1 lost lost 5.00000000E+00", []string{"VOLT?", "VOLT?", "redial", "VOLT?"}},
		{"the link drops at a time", `[{kind: link-drops, instrument: psu, at: 40 ms}]`, "1 lost", []string{"pause", "VOLT?"}},
		{"no new connection", `[{kind: link-refused, instrument: psu, message: 2}]`, "1 lost refused lost", []string{"VOLT?", "redial", "VOLT?"}},
		{"an answer is not sent", `[{kind: no-answer, instrument: psu, heard: "VOLT?"}]`, "1 time-out time-out", []string{"VOLT?", "VOLT?"}},
		{"nothing is obeyed any more", `[{kind: hangs, instrument: psu, heard: "OUTP OFF"}]`, "1 time-out", []string{"OUTP OFF", "OUTP?"}},
		{"noise", `[{kind: garbage, instrument: psu, heard: "VOLT?", nth: 2, text: "~~"}]`, "1 5.00000000E+00 ~~ 5.00000000E+00", []string{"VOLT?", "VOLT?", "VOLT?"}},
		{"noise twice", `[{kind: garbage, instrument: psu, heard: "VOLT?", times: 2, text: "~~"}]`, "1 ~~ ~~ 5.00000000E+00", []string{"VOLT?", "VOLT?", "VOLT?"}},
		{"a block that is too short", `[{kind: wrong-block, instrument: psu, heard: "VOLT?"}]`, "1 #3900too short", []string{"VOLT?"}},
		{"every answer comes one too late", `[{kind: earlier-answer, instrument: psu, heard: "VOLT?"}]`, "1 1 5.00000000E+00 2.00000000E+00", []string{"VOLT?", "CURR?", "CURR?"}},
		{"an error that nobody caused", `[{kind: spontaneous-error, instrument: psu, heard: "VOLT?", code: -240, text: "Hardware error"}]`, `1 5.00000000E+00 -240,"Hardware error"`, []string{"VOLT?", "SYST:ERR?"}},
		{"over-voltage", `[{kind: over-voltage, instrument: psu, heard: "VOLT?"}]`, "1 5.00000000E+00 0 512", []string{"VOLT?", "OUTP?", "STAT:QUES:COND?"}},
		{"less current than is set", `[{kind: current-limit, instrument: psu, heard: "VOLT?", amps: 100 mA}]`, "1 5.00000000E+00 1 1", []string{"VOLT?", "OUTP?", "STAT:QUES:COND?"}},
		{"another instrument after the connection", `[{kind: other-identity, instrument: psu, heard: "VOLT?"}]`, "1 lost Elsewhere,Other,X999,1", []string{"VOLT?", "redial", "*IDN?"}},
		{"power fails and comes back", `[{kind: reboots, instrument: psu, heard: "VOLT?"}]`, "1 lost 0;0.00000000E+00;128", []string{"VOLT?", "redial", "OUTP?;VOLT?;*ESR?"}},
		{"power fails behind an adapter", `[{kind: reboots, instrument: psu, heard: "VOLT?", link: kept}]`, "1 0.00000000E+00;0;128", []string{"VOLT?;OUTP?;*ESR?"}},
		{"a hand at the front panel", `[{kind: front-panel, instrument: psu, heard: "SYST:ERR?", volts: 7 V, output: off}]`, `1 0,"No error" 7.00000000E+00;0`, []string{"SYST:ERR?", "VOLT?;:OUTP?"}},
		{"a fetch gives the reading before", `[{kind: stale-reading, instrument: psu, heard: "VOLT 9"}]`, "1 5.00000000E+00 5.00000000E+00 9.00000000E+00",
			[]string{"INIT;FETC:VOLT?", "VOLT 9", "pause", "INIT;FETC:VOLT?", "pause", "INIT;FETC:VOLT?"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := troubledBench(t, "  "+c.fault)
			l, err := b.Link("psu")
			if err != nil {
				t.Fatal(err)
			}
			got := talk(b, l, append(on, c.lines...)...)
			if !alike(got, c.want) {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

// alike compares words, numbers of readings within 1 %.
func alike(got, want string) bool {
	a, b := strings.Fields(got), strings.Fields(want)
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		var x, y float64
		_, ex := fmt.Sscanf(a[i], "%g", &x)
		_, ey := fmt.Sscanf(b[i], "%g", &y)
		if a[i] != b[i] && (ex != nil || ey != nil || x < y*0.99 || x > y*1.01) {
			return false
		}
	}
	return true
}

// A path that latches up above a voltage draws its current until the node has been without voltage: 5 V / 25 ohm are 0.2 A beside 0.5 A.
func TestLatchUp(t *testing.T) {
	b := troubledBench(t, "  - {kind: latch-up, node: out, resistance: 25 ohm, above: 8 V}\n")
	l, err := b.Link("psu")
	if err != nil {
		t.Fatal(err)
	}
	amps := func(lines ...string) float64 {
		talk(b, l, append(lines, "pause", "pause")...)
		return b.Truth().Channels["psu.1"].Amps
	}
	for _, step := range []struct {
		name string
		do   []string
		want float64
	}{
		{"before", []string{":VOLT 5;:CURR 3;:OUTP ON"}, 0.5},
		{"above its voltage", []string{":VOLT 10"}, 1.4},
		{"back again, and still latched", []string{":VOLT 5"}, 0.7},
		{"after power has been off", []string{":OUTP OFF", "pause", "pause", ":OUTP ON"}, 0.5},
	} {
		if got := amps(step.do...); got < step.want-0.01 || got > step.want+0.01 {
			t.Errorf("%s: %.3f A, want %.3f A", step.name, got, step.want)
		}
	}
}
