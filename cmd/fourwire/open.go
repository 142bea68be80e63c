package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"fourwire/driver"
	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/clock"
	"fourwire/internal/ledger"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
	"fourwire/sim"
	"fourwire/transport"
	"fourwire/transport/dial"
)

// openTimeout is how long one instrument may take to be reached and to say who it is.
const openTimeout = 10 * time.Second

// openBench is a bench with its clock and, once opened, its instruments.
type openBench struct {
	clock       clock.Clock
	ledger      *measured.Ledger
	simulator   *sim.Bench     // nil for real instruments
	spans       *ledger.Ledger // account of the time, from when the bench was made
	began       time.Time
	times       map[string]driver.Times // how fast the instruments answered that have been let go
	seed        *uint64
	instruments []*driver.Instrument
	addresses   map[string]transport.Address // of the instruments, with every option

	wrap func(transport.Link) transport.Link // of the instrument that is opened next; nil: as it is
}

// openClock makes the simulated bench where there is one; its clock is virtual, so that hours pass in seconds. start is when it is switched on;
// the zero time: as the simulator likes.
func openClock(tb *testBench, seed uint64, seeded bool, start time.Time) (*openBench, error) {
	o := &openBench{clock: clock.Real(), ledger: &measured.Ledger{}, addresses: map[string]transport.Address{}}
	if !tb.simulated {
		o.began, o.spans = o.clock.Now(), ledger.New(o.clock)
		return o, nil
	}
	if !seeded {
		seed = tb.scenario.Seed
	}
	b, err := sim.New(tb.scenario, sim.Options{Seed: &seed, Start: start})
	if err != nil {
		return nil, err
	}
	o.simulator, o.clock, o.seed = b, b.Clock(), &seed
	o.began, o.spans = o.clock.Now(), ledger.New(o.clock)
	return o, nil
}

// open dials every instrument of the plan and checks who answers. Nothing is set.
func (o *openBench) open(ctx context.Context, r *oneRun) error {
	names := map[transport.Address]string{}
	d := &dial.Dialer{Clock: o.clock, Start: o.clock.Now(), BaseDir: filepath.Dir(r.bench.path)}
	if o.simulator != nil {
		d.Sim = o.simulator.Link
	}
	d.Tap = func(a transport.Address) transport.Tap {
		name, address := names[a], a.String()
		return func(wall time.Time, _ time.Duration, way byte, message []byte) {
			r.writer.Wire(wall, name, address, way == transport.TapSent, message)
		}
	}
	for _, in := range r.bench.bench.Instruments {
		if !r.plan.Uses(in.Name) {
			continue
		}
		if _, err := o.openNext(ctx, r.keeper, d, names, in, r.bench, r.flags.debug); err != nil {
			o.close()
			return err
		}
	}
	return nil
}

// openNext opens one more instrument of a bench; names learns which one is behind an address before a word is said there.
func (o *openBench) openNext(ctx context.Context, k *keeper, d *dial.Dialer, names map[transport.Address]string, in bench.Instrument, tb *testBench, each bool) (*driver.Instrument, error) {
	m := tb.models[in.Name]
	a, err := transport.ParseAddress(in.Address)
	if err != nil {
		return nil, &failure{status: exitInput, err: fmt.Errorf("%s: %w", in.Name, err)}
	}
	defaults, err := wireOptions(m, a.Scheme)
	if err != nil {
		return nil, &failure{status: exitInput, err: err}
	}
	a = a.WithDefaults(defaults)
	names[a], o.addresses[in.Name] = in.Name, a
	one, err := o.openOne(ctx, k, d, a, in, m, each, tb.bench.AmbientKelvin)
	switch {
	case err == nil:
		o.instruments = append(o.instruments, one)
	case errors.Is(context.Cause(ctx), errInterrupted):
		err = &failure{status: exitInterrupted, err: errInterrupted}
	default:
		err = notRight(fmt.Errorf("%s: %w", in.Name, err), "nothing was set; check power, cable and address, or ask it: fourwire ask "+in.Address+` "*IDN?"`)
	}
	return one, err
}

func (o *openBench) openOne(ctx context.Context, k *keeper, d *dial.Dialer, a transport.Address, in bench.Instrument, m *model.Model, each bool, ambient float64) (*driver.Instrument, error) {
	ctx, cancel := o.clock.WithTimeout(ctx, openTimeout)
	defer cancel()
	connecting := o.spans.Enter(ledger.Transfer, in.Name)
	link, err := d.Dial(ctx, a)
	connecting.Leave()
	if err != nil {
		return nil, err
	}
	wire := wireTime(link)
	link = k.link(link)
	if o.wrap != nil {
		link = o.wrap(link)
	}
	one, err := driver.Open(ctx, driver.Config{
		Name: in.Name, Address: a.String(), Model: m, Link: link, Clock: o.clock, Ledger: o.ledger,
		Expect:           driver.Identity{Maker: in.Identity.Maker, Model: in.Identity.Model, Serial: in.Identity.Serial},
		CheckEachCommand: each, AmbientKelvin: ambient, Age: in.Age(o.clock.Now()),
		Spans: o.spans, WireTime: wire, ByteTime: byteTime(a),
	})
	if err != nil {
		return nil, errors.Join(err, link.Close())
	}
	return one, nil
}

// close lets go of every instrument; the runner has made the bench safe before.
func (o *openBench) close() {
	o.keepTimes()
	for _, in := range o.instruments {
		_ = in.Close() // the run is over; a broken link has been reported by whoever used it
	}
	o.instruments = nil
}

func (o *openBench) forRun() map[string]run.Instrument {
	out := map[string]run.Instrument{}
	for _, in := range o.instruments {
		out[in.Name()] = run.Opened(in)
	}
	return out
}

// identities is what the record keeps of the instruments.
func (o *openBench) identities(tb *testBench, p *plan.Plan) []record.Instrument {
	var out []record.Instrument
	for _, in := range o.instruments {
		id := in.Identity()
		one := record.Instrument{Name: in.Name(), Driver: in.Model().Name, Maker: id.Maker, Model: id.Model, Serial: id.Serial, Firmware: id.Firmware}
		for _, b := range tb.bench.Instruments {
			if b.Name == in.Name() {
				one.Address, one.Calibrated = b.Address, b.Calibrated
			}
		}
		one.Roles = p.Serves(in.Name())
		out = append(out, one)
	}
	return out
}

// wireOptions is how a model says its interface behaves, as the options of an address of that scheme.
func wireOptions(m *model.Model, scheme string) (transport.Options, error) {
	var options transport.Options
	for _, o := range m.Wire.Options(scheme) {
		if err := options.Set(o.Key, o.Value); err != nil {
			return transport.Options{}, fmt.Errorf("model %s: %w", m.Name, err)
		}
	}
	return options, nil
}
