package guardian_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"fourwire/driver/guardian"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sim"
	"fourwire/sim/instrument"
	"fourwire/transport"
	"fourwire/transport/transporttest"
)

// lit is a simulated bench with current flowing: 12 V into the converter, 2 A out of it.
func lit(t testing.TB) *sim.Bench {
	t.Helper()
	text, err := os.ReadFile("../../examples/buoy/buoy.scenario.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var found diag.Findings
	s := sim.Read("buoy.scenario.yaml", text, &found)
	if s == nil {
		t.Fatal(found.List())
	}
	b, err := sim.New(s, sim.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, say := range [][2]string{{"feed-psu", ":CURR 2.5;:VOLT 12;:OUTP ON"}, {"sink", ":CURR 2;:INP ON"}} {
		l, err := b.Link(say[0])
		if err != nil {
			t.Fatal(err)
		}
		if err := l.Send(context.Background(), []byte(say[1])); err != nil {
			t.Fatal(err)
		}
		_ = b.Clock().Sleep(context.Background(), 200*time.Millisecond)
	}
	if v := b.Truth().Volts["dut.out"]; v < 4.5 {
		t.Fatalf("%g V at the output of the converter", v)
	}
	return b
}

func orders(t testing.TB) guardian.Orders {
	t.Helper()
	o := guardian.Orders{Format: guardian.Version, Nodes: []guardian.Node{{Node: "dut.in", Instrument: "dmm-in", Channel: 1, MostVolts: 18}, {Node: "dut.out", Instrument: "dmm-out", Channel: 1}}}
	for _, in := range []struct {
		name, model string
		turn        guardian.Turn
	}{{"feed-psu", "dc-source", guardian.Second}, {"sink", "electronic-load", guardian.First}, {"dmm-in", "meter", guardian.Never}, {"dmm-out", "meter", guardian.Never}} {
		text, ok := model.FromLibrary(in.model)
		if !ok {
			t.Fatal(in.model)
		}
		o.Instruments = append(o.Instruments, guardian.Instrument{Name: in.name, Address: "sim:" + in.name, Model: in.model, Text: string(text), Turn: in.turn})
	}
	return o
}

// serve lets a guardian work on a bench, in the bench's virtual time. The run says lines and is gone then.
func serve(t testing.TB, b *sim.Bench, o guardian.Orders, wrap func(transport.Link) transport.Link, lines ...string) (said string, notes []string, err error) {
	t.Helper()
	first, err := json.Marshal(o)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	var mu sync.Mutex
	err = guardian.Serve(context.Background(), strings.NewReader(strings.Join(append([]string{string(first)}, lines...), "\n")+"\n"), &out, guardian.Config{
		Clock: b.Clock(),
		Dial: func(_ context.Context, a transport.Address, _ string) (transport.Link, error) {
			l, err := b.Link(a.Path)
			if err == nil && wrap != nil {
				l = wrap(l)
			}
			return l, err
		},
		Note: func(_ string, e guardian.Event) {
			mu.Lock()
			defer mu.Unlock()
			notes = append(notes, e.Text)
		},
	})
	return out.String(), notes, err
}

// switched are the events of outputs since the bench was lit.
func switched(b *sim.Bench) (off []sim.Event) {
	for _, e := range b.Events() {
		if e.Kind == instrument.Switched && e.Value == 0 {
			off = append(off, e)
		}
	}
	return off
}

func mustBeOff(t *testing.T, b *sim.Bench) {
	t.Helper()
	on := map[string]bool{}
	for _, e := range b.Events() {
		if e.Kind == instrument.Switched {
			on[e.Instrument] = e.Value == 1
		}
	}
	for name, is := range on {
		if is {
			t.Errorf("%s is on", name)
		}
	}
}

func TestGuardianActsOnlyWhenItMust(t *testing.T) {
	for _, c := range []struct {
		name  string
		lines []string
		acts  bool
	}{
		{"gone before it was armed: nothing was switched on", nil, false},
		{"an orderly end", []string{"arm", "beat", "end"}, false},
		{"gone without a word", []string{"arm", "beat"}, true},
		{"it is asked to", []string{"arm", "beat", "relieve the source does not answer"}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := lit(t)
			said, notes, err := serve(t, b, orders(t), nil, c.lines...)
			// the guardian's connections share one virtual clock here: the wait of one may pass the time limit of another
			for tries := 0; tries < 5 && strings.Contains(said, "no answer came before the time ran out"); tries++ {
				b = lit(t)
				said, notes, err = serve(t, b, orders(t), nil, c.lines...)
			}
			if err != nil {
				t.Fatal(err)
			}
			off := switched(b)
			if !c.acts {
				if off != nil || strings.Contains(said, "relieved") || notes != nil {
					t.Fatalf("it acted: %v, %q, %q", off, said, notes)
				}
				return
			}
			mustBeOff(t, b)
			if len(off) != 2 || off[0].Instrument != "sink" || off[1].Instrument != "feed-psu" {
				t.Fatalf("the load goes off first, then the source: %v", off)
			}
			_, rest, ok := strings.Cut(said, "\nsafe ")
			var r guardian.Report
			if !ok || json.Unmarshal([]byte(strings.TrimSpace(strings.Split(rest, "\n")[0])), &r) != nil {
				t.Fatalf("no report: %q", said)
			}
			if !r.Safe() || len(r.Nodes) != 2 || !r.Nodes[0].Discharged || *r.Nodes[0].Volts > 1 || !strings.Contains(r.Text(), "feed-psu off after") {
				t.Errorf("the report is %s", r.Text())
			}
			if at := strings.Index(said, "relieved"); at < 0 || at > strings.Index(said, "safe") {
				t.Errorf("the run is told before it is done to: %q", said)
			}
			if v := b.Truth().Volts["dut.in"]; v > 1.1 {
				t.Errorf("%g V are left at the input", v)
			}
		})
	}
}

// However the guardian's own connections fail, at every single message, it gets the outputs off.
func TestGuardianGetsThroughWhateverFails(t *testing.T) {
	for k := 1; ; k++ {
		b := lit(t)
		fault := transporttest.NewFault(k)
		o := orders(t)
		o.Nodes, o.Instruments = nil, o.Instruments[:2]
		_, notes, err := serve(t, b, o, func(l transport.Link) transport.Link { return fault.Wrap(l) }, "arm", "beat")
		mustBeOff(t, b)
		if err != nil || t.Failed() {
			t.Fatalf("message %d: %v, %q", k, err, notes)
		}
		if !fault.Fired() {
			if k < 10 {
				t.Fatalf("only %d messages", k)
			}
			return
		}
	}
}

func TestOrdersThatCannotBeRead(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*guardian.Orders)
		want   string
	}{
		{"another version", func(o *guardian.Orders) { o.Format = "guardian/9" }, "one version"},
		{"no instrument", func(o *guardian.Orders) { o.Instruments = nil }, "no instrument"},
		{"a model that cannot be read", func(o *guardian.Orders) { o.Instruments[0].Text = "fourwire: model/1" }, "the model cannot be read"},
		{"an address that leads nowhere", func(o *guardian.Orders) { o.Instruments[0].Address = "pigeon:post" }, "pigeon"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := lit(t)
			o := orders(t)
			c.change(&o)
			said, _, err := serve(t, b, o, nil, "arm")
			if err == nil || !strings.Contains(said, "refused ") || !strings.Contains(said, c.want) {
				t.Errorf("said %q, %v", said, err)
			}
		})
	}
	if err := guardian.Serve(context.Background(), strings.NewReader(""), io.Discard, guardian.Config{}); err == nil {
		t.Error("a guardian without orders was content")
	}
}

func TestAnInstrumentThatIsAnotherIsLeftAlone(t *testing.T) {
	b := lit(t)
	o := orders(t)
	o.Instruments[0].Expect.Serial = "somebody else's"
	said, _, err := serve(t, b, o, nil)
	if err != nil || !strings.Contains(said, "another instrument than expected") {
		t.Errorf("said %q, %v", said, err)
	}
}

// FuzzServe gives a guardian that is never armed anything at all: it must end, and touch nothing.
func FuzzServe(f *testing.F) {
	line, err := json.Marshal(orders(f))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(append(line, "\nend\n"...))
	f.Add([]byte(`{"format":"guardian/1","instruments":[{"name":"x","text":"","address":"tcp://h:1"}]}` + "\n"))
	f.Add([]byte("\n\n\n"))
	dialled := errors.New("nobody is there")
	f.Fuzz(func(t *testing.T, text []byte) {
		if bytes.Contains(text, []byte("\narm")) {
			t.Skip()
		}
		var out bytes.Buffer
		err := guardian.Serve(context.Background(), bytes.NewReader(text), &out, guardian.Config{
			Dial: func(context.Context, transport.Address, string) (transport.Link, error) { return nil, dialled },
			Note: func(_ string, e guardian.Event) { t.Errorf("it acted: %v", e) },
		})
		if err != nil && strings.Contains(out.String(), "ready") {
			t.Errorf("it was ready, and ended with %v", err)
		}
	})
}

func ExampleCovers() {
	c := guardian.Covers([]guardian.Hand{
		{Instrument: "feed-psu", Turn: guardian.Second, Connected: true, Watchdog: true},
		{Instrument: "sink", Turn: guardian.First, Held: true},
	})
	fmt.Println(c.Text())
	fmt.Println(c.Ends[len(c.Ends)-1].How)
	// Output:
	// switched off at: normal end, error, interrupted, killed, hung; NOT COVERED: computer fails, cable pulled
	// the watchdogs of feed-psu alone switch off after 3s; sink stay as they are
}
