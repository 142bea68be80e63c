package guardian_test

import (
	"context"
	"os"
	"slices"
	"testing"
	"time"

	"fourwire/driver/guardian"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sim"
	"fourwire/transport"
	"fourwire/transport/transporttest"
)

func ordersOf(t testing.TB, name, kind string) guardian.Orders {
	t.Helper()
	text, ok := model.FromLibrary(kind)
	if !ok {
		t.Fatal(kind)
	}
	return guardian.Orders{Format: guardian.Version, Instruments: []guardian.Instrument{{Name: name, Address: "sim:" + name, Model: kind, Text: string(text), Turn: guardian.Second}}}
}

// A run that is gone has left its unit in the middle of a recording, an answer still held: the output goes off at once, and nothing is
// recorded any more.
func TestGuardianSwitchesOffWhatRecords(t *testing.T) {
	text, err := os.ReadFile("../../examples/beacon/beacon.scenario.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var found diag.Findings
	s := sim.Read("beacon.scenario.yaml", text, &found)
	if s == nil {
		t.Fatal(found.List())
	}
	b, err := sim.New(s, sim.Options{})
	if err != nil {
		t.Fatal(err)
	}
	run, err := b.Link("smu-a")
	if err != nil {
		t.Fatal(err)
	}
	ctx := context.Background()
	for _, say := range []string{":SENS:CURR:PROT 0.5;:SOUR:VOLT 3;:OUTP ON", `:TRAC:FEED "CURR,VOLT";:TRAC:TINT 0.001;:TRAC:FEED:CONT ALW`} {
		if err := run.Send(ctx, []byte(say)); err != nil {
			t.Fatal(err)
		}
	}
	_ = b.Clock().Sleep(ctx, 200*time.Millisecond)
	if err := run.Send(ctx, []byte(":TRAC:DATA? 1000000,1000000")); err != nil { // a quarter of an hour
		t.Fatal(err)
	}
	if v := b.Truth().Volts["node-a.supply"]; v < 2.9 {
		t.Fatalf("%g V at the node", v)
	}
	var stopped, answered time.Duration
	watch := func(_ time.Time, since time.Duration, way byte, message []byte) {
		switch text := string(message); {
		case text == ":ABOR":
			stopped = since
		case text == "0" && way == transport.TapReceived && answered == 0:
			answered = since
		}
	}
	_, notes, err := serve(t, b, ordersOf(t, "smu-a", "source-measure-unit"), func(l transport.Link) transport.Link {
		return transport.WithTap(l, b.Clock(), b.Clock().Now(), watch)
	}, "arm", "beat")
	if err != nil {
		t.Fatal(err, notes)
	}
	mustBeOff(t, b)
	if off := switched(b); len(off) != 1 || stopped == 0 || answered-stopped > 50*time.Millisecond || answered < stopped {
		t.Errorf("switched off: %v; stopped after %v, off and verified after %v", off, stopped, answered)
	}
	look, err := b.Link("smu-a")
	if err != nil {
		t.Fatal(err)
	}
	if err := look.Send(ctx, []byte(":TRAC:FEED:CONT?;:OUTP?")); err != nil {
		t.Fatal(err)
	}
	if answer, err := look.Receive(ctx, nil); string(answer) != "NEV;0" {
		t.Errorf("the unit says %q, %v", answer, err)
	}
}

// What goes to a unit that may be recording: stop and off go out one behind the other, and only then is anything asked.
func TestWhatAGuardianSaysToAUnitThatRecords(t *testing.T) {
	link := transporttest.NewScript(
		transporttest.Sent("*IDN?"), transporttest.Answer("Lakeside,Unit,S4001,1.0"),
		transporttest.Sent(":ABOR"), transporttest.Sent(":OUTP OFF"),
		transporttest.Sent(":OUTP?"), transporttest.Answer("0"))
	var order []string
	r, err := guardian.MakeSafe(context.Background(), ordersOf(t, "smu", "source-measure-unit"), "test", guardian.Config{
		Dial: func(context.Context, transport.Address, string) (transport.Link, error) {
			return transport.WithTap(link, nil, time.Time{}, func(_ time.Time, _ time.Duration, way byte, message []byte) {
				order = append(order, string(way)+string(message))
			}), nil
		},
	})
	if err != nil || r == nil || !r.Safe() {
		t.Fatalf("%+v, %v, %q", r, err, order)
	}
	stop, off, asked := slices.Index(order, ">:ABOR"), slices.Index(order, ">:OUTP OFF"), slices.Index(order, ">:OUTP?")
	if stop < 0 || off != stop+1 || asked < off {
		t.Errorf("it said %q", order)
	}
}
