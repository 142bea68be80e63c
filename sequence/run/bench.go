package run

import (
	"context"
	"errors"
	"fmt"

	"fourwire/driver"
	"fourwire/quantity"
)

// Instrument is what the runner asks of an instrument as a whole. [Opened] makes one of a *driver.Instrument.
type Instrument interface {
	Prepare(ctx context.Context) error     // into a known state, outputs off
	CheckErrors(ctx context.Context) error // what went wrong since the last time
	Abort(ctx context.Context) error       // acquisitions stopped, outputs off
	Source(channel int) (Feeder, error)
	Load(channel int) (Sinker, error)
	Meter(channel int) (Gauge, error)
}

// Feeder is a source.
type Feeder interface {
	SetVolts(context.Context, quantity.Volt) error
	SetAmps(context.Context, quantity.Amp) error
	SetProtection(ctx context.Context, over quantity.Volt, overAmps quantity.Amp) error // written and read back; 0 leaves one alone
	Sense(ctx context.Context, remote bool) error
	Output(ctx context.Context, on bool) error
	Status(context.Context) (driver.Status, error)
}

// Sinker is a load.
type Sinker interface {
	Hold(context.Context, quantity.Quantity) error
	SetProtection(ctx context.Context, over quantity.Volt, overAmps quantity.Amp) error
	Sense(ctx context.Context, remote bool) error
	Input(ctx context.Context, on bool) error
	Status(context.Context) (driver.Status, error)
}

// Gauge measures. Begin starts a reading and End waits for it, so that several can be under way at one time.
type Gauge interface {
	Begin(context.Context, driver.Request) error
	End(context.Context) (driver.Reading, error)
}

// Armer is the ability of a gauge to be put on a range without measuring. A meter in series with the device must be on a
// high enough range before the current rises; one that is no Armer stays on its largest planned range.
type Armer interface {
	Arm(context.Context, driver.Request) error
}

// Opened makes an open instrument usable for a run.
func Opened(in *driver.Instrument) Instrument { return opened{in} }

type opened struct{ *driver.Instrument }

func (o opened) Source(channel int) (Feeder, error) { return o.Instrument.Source(channel) }
func (o opened) Load(channel int) (Sinker, error)   { return o.Instrument.Load(channel) }
func (o opened) Meter(channel int) (Gauge, error)   { return o.Instrument.Meter(channel) }

func (o opened) Recorder(channel int) (Recorder, error) { return o.Instrument.Recorder(channel) }

func recorderOf(in Instrument, channel int) (Recorder, error) {
	one, ok := in.(RecorderOf)
	if !ok {
		return nil, errors.New("it cannot record")
	}
	return one.Recorder(channel)
}

// connect finds the channels that the plan names.
func (r *runner) connect() error {
	at := func(name string) (Instrument, error) {
		in := r.cfg.Instruments[name]
		if in == nil {
			return nil, fmt.Errorf("instrument %s of the plan is not open", name)
		}
		if _, known := r.touched[name]; !known {
			r.touched[name] = false
			r.order = append(r.order, name)
		}
		return in, nil
	}
	for i := range r.plan.Roles {
		role := &r.plan.Roles[i]
		in, err := at(role.Channel.Instrument)
		if err != nil {
			return err
		}
		rs := roleState{Role: role}
		switch role.Need.Role {
		case "source":
			rs.feed, err = in.Source(role.Channel.Number)
		case "load":
			rs.sink, err = in.Load(role.Channel.Number)
		case "switch":
			rs.relay, err = switcherOf(in, role.Channel.Number)
		case "recorder":
			rs.recorder, err = recorderOf(in, role.Channel.Number)
		}
		if err != nil {
			return fmt.Errorf("%s (%s): %w", role.Need.Name, role.Channel, err)
		}
		r.roles = append(r.roles, rs)
	}
	for i := range r.plan.Gauges {
		g := &r.plan.Gauges[i]
		in, err := at(g.Channel.Instrument)
		if err != nil {
			return err
		}
		m, err := in.Meter(g.Channel.Number)
		if err != nil {
			return fmt.Errorf("%s (%s): %w", g.Name(), g.Channel, err)
		}
		if err := r.connectRelays(g, at); err != nil {
			return err
		}
		arm, _ := m.(Armer)
		gs := gaugeState{Gauge: g, meter: m, arm: arm, function: driver.Volts}
		window, _ := r.plan.Guard(g.Node)
		gs.guard = window.Volts
		if g.Function == "i" {
			gs.function, gs.guard = driver.Amps, window.Amps
		}
		for i := range r.plan.Roles {
			role := &r.plan.Roles[i]
			gs.guessed = gs.guessed || gs.function == driver.Amps && role.Need.Role == "source" && role.Need.Node == g.Node
		}
		r.gauges = append(r.gauges, gs)
	}
	return r.connectCaptures(at)
}
