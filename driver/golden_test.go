package driver_test

import (
	"context"
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/driver/model"
	"fourwire/quantity"
	"fourwire/transport/transporttest"
)

var update = flag.Bool("update", false, "write the golden wire logs again")

// golden compares what went over the wire with a file that somebody has looked at.
func golden(t *testing.T, name string, r *transporttest.Recorder) {
	t.Helper()
	file := filepath.Join("testdata", "golden", name+".wire")
	if *update {
		must(t, os.WriteFile(file, []byte(r.String()), 0o644))
		return
	}
	want, err := os.ReadFile(file)
	must(t, err)
	if r.String() != string(want) {
		t.Errorf("%s: the wire log differs; look at it, then run with -update\ngot:\n%s\nwant:\n%s", file, r, want)
	}
}

func (s *simulated) recorded(t *testing.T, name string, m *model.Model, each bool) (*driver.Instrument, *transporttest.Recorder) {
	t.Helper()
	link, err := s.Link(name)
	must(t, err)
	r := transporttest.Record(link)
	in, err := driver.Open(context.Background(), driver.Config{Name: name, Model: m, Link: r, Clock: s.Clock(), Ledger: &s.ledger, CheckEachCommand: each})
	must(t, err)
	must(t, in.Prepare(context.Background()))
	return in, r
}

// One action is one message where the instrument takes compound messages; the error queue is asked once for each action.
func TestWireLogOfASource(t *testing.T) {
	b, ctx := simulate(t), context.Background()
	in, r := b.recorded(t, "feed-psu", libraryModel(t, "dc-source"), false)
	s, err := in.Source(1)
	must(t, err)
	must(t, s.Sense(ctx, true))
	must(t, s.SetProtection(ctx, 15, 6))
	must(t, s.SetAmps(ctx, 2.5))
	must(t, s.SetVolts(ctx, 12))
	must(t, s.Output(ctx, true))
	_, err = s.Status(ctx)
	must(t, err)
	must(t, s.Output(ctx, false))
	must(t, in.Release(ctx))
	golden(t, "source", r)
}

func TestWireLogOfASourceCheckedCommandByCommand(t *testing.T) {
	b, ctx := simulate(t), context.Background()
	in, r := b.recorded(t, "feed-psu", libraryModel(t, "dc-source"), true)
	s, _ := in.Source(1)
	must(t, s.SetProtection(ctx, 15, 6))
	golden(t, "source-each", r)
}

func TestWireLogOfALoad(t *testing.T) {
	b, ctx := simulate(t), context.Background()
	in, r := b.recorded(t, "sink-1", libraryModel(t, "electronic-load"), false)
	l, err := in.Load(1)
	must(t, err)
	for _, q := range []string{"0.5 A", "0.6 A", "5 A", "10 W", "20 ohm", "2 A"} {
		must(t, l.Hold(ctx, quantity.MustParse(q)))
	}
	must(t, l.Input(ctx, true))
	must(t, l.Input(ctx, false))
	golden(t, "load", r)
}

// What is set already is not set again, and volts and amps of one channel come from one acquisition and one question.
func TestWireLogOfReadings(t *testing.T) {
	b, ctx := simulate(t), context.Background()
	in, r := b.recorded(t, "sink-1", libraryModel(t, "electronic-load"), false)
	volts, err := in.Meter(1)
	must(t, err)
	amps, _ := in.Meter(1)
	for range 2 {
		must(t, volts.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 5}))
		must(t, amps.Begin(ctx, driver.Request{Function: driver.Amps, Expect: 1}))
		_, err = volts.End(ctx)
		must(t, err)
		_, err = amps.End(ctx)
		must(t, err)
	}
	// another range for the second function: the acquisition begins again
	must(t, volts.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 5}))
	must(t, amps.Begin(ctx, driver.Request{Function: driver.Amps, Expect: 10}))
	_, err = volts.End(ctx)
	must(t, err)
	_, err = amps.End(ctx)
	must(t, err)
	// a long aperture is waited for without blocking the connection
	must(t, volts.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 5, Aperture: time.Second}))
	_, err = volts.End(ctx)
	must(t, err)
	// a reading that is given up, and the next
	must(t, volts.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 5}))
	must(t, volts.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 5}))
	_, err = volts.End(ctx)
	must(t, err)
	must(t, in.CheckErrors(ctx))
	golden(t, "readings", r)
}

// Whichever message is broken, Abort on a link that works again leaves the output off.
func TestEveryMessageCanBreak(t *testing.T) {
	broken := 0
	for _, dead := range []bool{false, true} {
		for k := 1; ; k++ {
			b, ctx := simulate(t), context.Background()
			link, err := b.Link("feed-psu")
			must(t, err)
			fault := transporttest.NewFault(k)
			fault.Dead = dead
			failing := fault.Wrap(link)
			in, err := driver.Open(ctx, driver.Config{Name: "feed-psu", Model: libraryModel(t, "dc-source"), Link: failing, Clock: b.Clock()})
			if err == nil {
				err = oneUse(ctx, in)
			}
			if !fault.Fired() {
				if err != nil {
					t.Fatalf("without a broken message: %v", err)
				}
				break
			}
			broken++
			if in == nil {
				continue // it never opened; nothing was set
			}
			if dead {
				// the wire is gone for this driver; another connection is opened, as whoever makes the bench safe does
				again, err := b.Link("feed-psu")
				must(t, err)
				in, err = driver.Open(ctx, driver.Config{Name: "feed-psu", Model: libraryModel(t, "dc-source"), Link: again, Clock: b.Clock()})
				must(t, err)
			}
			if err := in.Abort(ctx); err != nil {
				t.Errorf("%s: abort: %v", fault.Where(), err)
			}
			must(t, b.Clock().Sleep(ctx, 10*time.Second))
			if v := b.Truth().Volts["dut.in"]; v > 0.5 {
				t.Errorf("%s (use gave %v): the node stands at %v V", fault.Where(), err, v)
			}
		}
	}
	if broken < 40 {
		t.Errorf("only %d messages were broken", broken)
	}
}

func oneUse(ctx context.Context, in *driver.Instrument) error {
	if err := in.Prepare(ctx); err != nil {
		return err
	}
	s, err := in.Source(1)
	if err != nil {
		return err
	}
	m, err := in.Meter(1)
	if err != nil {
		return err
	}
	steps := []func() error{
		func() error { return s.SetProtection(ctx, 15, 0) },
		func() error { return s.SetAmps(ctx, 2) },
		func() error { return s.SetVolts(ctx, 12) },
		func() error { return s.Output(ctx, true) },
		func() error { return m.Begin(ctx, driver.Request{Function: driver.Volts, Expect: 12}) },
		func() error { _, err := m.End(ctx); return err },
		func() error { _, err := s.Status(ctx); return err },
		func() error { return s.Output(ctx, false) },
		func() error { return in.CheckErrors(ctx) },
	}
	for _, step := range steps {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}
