package sim_test

import (
	"context"
	"os"
	"testing"
	"time"

	"fourwire/internal/diag"
	"fourwire/sim"
	"fourwire/transport"
)

// buoy returns a fresh bench of the example scenario.
func buoy(t testing.TB) *sim.Bench {
	t.Helper()
	text, err := os.ReadFile("../examples/buoy/buoy.scenario.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return build(t, "buoy.scenario.yaml", string(text))
}

func build(t testing.TB, name, text string) *sim.Bench {
	t.Helper()
	var found diag.Findings
	s := sim.Read(name, []byte(text), &found)
	for _, f := range found.List() {
		t.Log(f.Render())
	}
	if s == nil {
		t.Fatal("the scenario cannot be read")
	}
	b, err := sim.New(s, sim.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// desk is a controller's hand on a bench, with one link to each instrument.
type desk struct {
	t testing.TB
	b *sim.Bench
	l map[string]transport.Link
}

func sit(t testing.TB, b *sim.Bench) desk { return desk{t, b, map[string]transport.Link{}} }

func (d desk) link(instrument string) transport.Link {
	d.t.Helper()
	if d.l[instrument] == nil {
		l, err := d.b.Link(instrument)
		if err != nil {
			d.t.Fatal(err)
		}
		d.l[instrument] = l
	}
	return d.l[instrument]
}

// say sends a message and waits until it is executed.
func (d desk) say(instrument, message string) {
	d.t.Helper()
	if err := d.link(instrument).Send(context.Background(), []byte(message)); err != nil {
		d.t.Fatal(err)
	}
	d.ask(instrument, "*OPC?")
}

func (d desk) ask(instrument, message string) string {
	d.t.Helper()
	ctx, cancel := d.b.Clock().WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	l := d.link(instrument)
	if err := l.Send(ctx, []byte(message)); err != nil {
		d.t.Fatal(err)
	}
	answer, err := l.Receive(ctx, nil)
	if err != nil {
		d.t.Fatalf("%s %q: %v", instrument, message, err)
	}
	return string(answer)
}

func (d desk) wait(span time.Duration) {
	d.t.Helper()
	if err := d.b.Clock().Sleep(context.Background(), span); err != nil {
		d.t.Fatal(err)
	}
}

func TestTour(t *testing.T) {
	b := buoy(t)
	d := sit(t, b)
	t.Log(d.ask("feed-psu", "*IDN?"))
	d.say("feed-psu", "VOLT 12;CURR 3;VOLT:ALC:SOUR EXT;:OUTP ON")
	t.Log(b.Truth())
	d.wait(100 * time.Millisecond)
	t.Log(b.Truth())
	d.say("sink", "FUNC CURR;CURR 2;:INP ON")
	d.wait(100 * time.Millisecond)
	t.Logf("%+v", b.Truth())
	for _, name := range []string{"dmm-in", "dmm-out"} {
		t.Log(d.ask(name, "MEAS:VOLT?"))
	}
	for _, name := range []string{"amm-in", "amm-out"} {
		t.Log(d.ask(name, "MEAS:CURR?"))
	}
	t.Log(d.ask("feed-psu", "MEAS:VOLT?;CURR?;:STAT:QUES:COND?;:SYST:ERR?"))
	t.Log(d.ask("sink", "MEAS:VOLT?;CURR?;:STAT:QUES:COND?;:SYST:ERR?"))
	for _, e := range b.Events() {
		t.Log(e)
	}
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func example() context.Context { return context.Background() }
