package e2e

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"testing"

	"fourwire/record"
	"fourwire/sequence/run"
	"fourwire/transport"
	"fourwire/transport/transporttest"
)

func formatCell(c record.Cell) string {
	return strconv.FormatFloat(c.SI, 'g', -1, 64) + " " + strconv.FormatFloat(c.U, 'g', -1, 64)
}

// short is one start, two loads and the way out.
const short = `fourwire: sequence/1
title: short
needs:
  feed: {role: source, node: dut.in, volts: 9..16 V, amps: 0..2.5 A}
  sink: {role: load, node: dut.out, amps: 0..3 A, at_volts: 4.5 V}
guard:
  dut.in:  {volts: ..18 V, amps: ..2.8 A}
  dut.out: {volts: ..5.6 V, amps: ..3.3 A}
steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - settle: {until: v(dut.in) within 0.1 % for 20 ms, at_most: 1 s}
  - sweep: {iout: [100 mA, 2 A]}
    steps:
      - {load: sink, hold: iout}
      - measure: {vi: v(dut.in), ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
  - {load: sink, input: off}
  - {source: feed, output: off}
`

// Break the k-th message, for every k. Whatever fails, outputs end off, by the simulator's own log, or the error names what
// may still be on; with one message broken nothing may stay on.
func TestAnyMessageBreaks(t *testing.T) {
	first := newChain(t, "short.yaml", options{sequence: short})
	for _, dead := range []bool{false, true} {
		for k := 1; ; k += stride {
			fault := transporttest.NewFault(k)
			fault.Dead = dead
			o := options{wrap: func(_ string, l transport.Link) transport.Link { return fault.Wrap(l) }}
			c := first.fresh(o)
			s, err := c.run(context.Background(), o)
			if !fault.Fired() {
				if err != nil {
					t.Fatalf("undisturbed: %v", err)
				}
				t.Logf("%d messages", k-1)
				if k < 100 {
					t.Fatalf("only %d messages", k)
				}
				break
			}
			lit := c.lit()
			if !dead && len(lit) > 0 {
				t.Errorf("%s: still on: %v; %v", fault.Where(), lit, err)
			}
			for _, name := range lit {
				var live *run.NotSafe
				if !errors.As(err, &live) || !strings.Contains(err.Error(), name) || run.ExitStatus(s, err) != 5 {
					t.Errorf("dead, %s: %s is still on and nobody says so: %v", fault.Where(), name, err)
				}
			}
			if len(lit) > 1 {
				t.Errorf("dead, %s: more than the lost instrument is on: %v", fault.Where(), lit)
			}
			if err == nil && s.Points != 2 {
				t.Errorf("%s: no error, and %d points", fault.Where(), s.Points)
			}
			for _, p := range c.points {
				if p.Number <= len(c.points)-1 && !p.Valid {
					t.Errorf("%s: an earlier point is invalid: %s", fault.Where(), p.Why)
				}
			}
		}
	}
}

func TestInterruptedInTheMiddle(t *testing.T) {
	o := options{}
	c := newChain(t, "efficiency.yaml", o)
	if err := c.open(o); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancelCause(context.Background())
	interrupted := errors.New("interrupted")
	s, err := run.Run(ctx, run.Config{Plan: c.plan, Instruments: c.instruments, Clock: c.sim.Clock(), Ledger: &c.ledger, Observe: func(e run.Event) {
		c.observe(e)
		if e.Point != nil && e.Point.Number == 7 {
			cancel(interrupted)
		}
	}})
	if !errors.Is(err, interrupted) || run.ExitStatus(s, err) != 130 || s.Points < 7 || len(c.lit()) != 0 {
		t.Errorf("%v, exit status %d, %d points, on: %v", err, run.ExitStatus(s, err), s.Points, c.lit())
	}
}

func TestASourceTooWeakForTheLoadIsSeenPointByPoint(t *testing.T) {
	// 0.5 A at 9 V are 4.5 W; 3 A of load want 15 W
	weak := strings.Replace(strings.Replace(short, "amps: 2.5 A}", "amps: 500 mA}", 1), "volts: 12 V", "volts: 9 V", 1)
	c, s := whole(t, "weak.yaml", options{sequence: weak})
	if len(c.points) != 2 || !c.points[0].Valid || c.points[1].Valid || s.Invalid != 1 {
		t.Fatalf("%+v", c.points)
	}
	if why := c.points[1].Why; !strings.Contains(why, "feed is in current limit (CC): it gives no more than 500 mA and cannot hold 9 V; dut.in reads") {
		t.Error(why)
	}
}

func TestADeviceThatRegulatesTooHighStopsTheRun(t *testing.T) {
	o := options{scenario: func(text string) string { return strings.Replace(text, "set: 5 V", "set: 5.7 V", 1) }}
	c := newChain(t, "efficiency.yaml", o)
	s, err := c.run(context.Background(), o)
	if run.ExitStatus(s, err) != 5 || !strings.Contains(fmt.Sprint(err), "v(dut.out) reads 5.") || len(c.lit()) != 0 {
		t.Errorf("exit status %d: %v; on: %v", run.ExitStatus(s, err), err, c.lit())
	}
}
