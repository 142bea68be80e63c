package run_test

import (
	"context"
	"errors"
	"math"
	"os"
	"testing"

	"fourwire/driver"
	"fourwire/driver/ieee488"
	"fourwire/sequence/run"
	"fourwire/transport"
	"fourwire/transport/transporttest"
)

// openWith opens the instruments with something around each link.
func (b *buoy) openWith(around func(transport.Link) transport.Link) (map[string]run.Instrument, error) {
	out := map[string]run.Instrument{}
	for _, in := range b.plan.Bench.Instruments {
		if !b.plan.Uses(in.Name) {
			continue
		}
		link, err := b.sim.Link(in.Name)
		if err != nil {
			b.t.Fatal(err)
		}
		one, err := driver.Open(context.Background(), driver.Config{Name: in.Name, Address: in.Address, Model: b.models[in.Name], Link: around(link), Clock: b.sim.Clock(), Ledger: &b.ledger,
			AmbientKelvin: b.plan.Bench.AmbientKelvin})
		if err != nil {
			return nil, err
		}
		b.t.Cleanup(func() { one.Close() })
		out[in.Name] = run.Opened(one)
	}
	return out, nil
}

// Whatever message of a fast sweep is lost, and whichever line is cut, everything is off afterwards, or the run says what may not be; and a list does not go on.
// FOURWIRE_LONG=1 tries every message, else every eleventh.
func TestABrokenMessageDuringAList(t *testing.T) {
	stride := 11
	if os.Getenv("FOURWIRE_LONG") != "" {
		stride = 1
	}
	const text = `steps:
  - {source: feed, volts: 12 V, amps: 2.5 A}
  - sweep: {iout: [0.5 A, 1 A, 1.5 A, 2 A]}
    fast: yes
    steps:
      - {load: sink, hold: iout}
      - wait: 20 ms
      - measure: {ii: i(dut.in), vo: v(dut.out), io: i(dut.out)}
`
	lists := 0
	for _, dead := range []bool{false, true} {
		for n := 1; ; n += stride {
			b := newBuoy(t, text, 0, nil)
			fault := transporttest.NewFault(n)
			fault.Dead = dead
			in, err := b.openWith(func(l transport.Link) transport.Link { return fault.Wrap(l) })
			if err != nil {
				continue
			}
			k := &kept{}
			s, err := run.Run(context.Background(), run.Config{Plan: b.plan, Instruments: in, Clock: b.sim.Clock(), Ledger: &b.ledger, Sink: k})
			if !fault.Fired() {
				if err != nil || len(k.points) != 4 {
					t.Fatalf("%v, %d points", err, len(k.points))
				}
				break
			}
			var notSafe *run.NotSafe
			lit := false
			for name, c := range b.sim.Truth().Channels {
				if (name == "sink.1" || name == "feed-psu.1") && math.Abs(c.Amps) > 5e-3 {
					lit = true
				}
			}
			if lit && !errors.As(err, &notSafe) {
				t.Errorf("%s, dead %v: something is on, and %v", fault.Where(), dead, err)
			}
			if err == nil && len(k.points) != 4 {
				t.Errorf("%s: %d points and no error", fault.Where(), len(k.points))
			}
			if errors.As(err, new(*ieee488.Fault)) && len(k.points) > 0 && run.ExitStatus(s, err) == 0 {
				t.Errorf("%s: exit status 0 after %v", fault.Where(), err)
			}
			lists++
		}
	}
	if lists < 20 {
		t.Errorf("%d messages were broken", lists)
	}
}
