package sim

import (
	"fmt"
	"sync"
	"time"

	"fourwire/internal/clock"
	"fourwire/sim/circuit"
	"fourwire/sim/device"
	"fourwire/sim/instrument"
)

// Options say how a bench is made of a scenario. The zero value takes everything from the scenario.
type Options struct {
	// Seed replaces the scenario's where it is not nil. It decides every error that is drawn, and all noise.
	Seed *uint64
	// Start is the simulated time at which the bench is switched on; the zero time is 2026-03-01 08:00 UTC.
	Start time.Time
}

// Bench is a bench in memory. All its methods may be called from several goroutines; in process, one goroutine that sends, receives and
// sleeps on Clock gets the same course of events in every run.
type Bench struct {
	clock *clock.Virtual
	start time.Time

	mu          sync.Mutex // guards what follows, the instruments and the physics included
	engine      engine
	instruments []*station
	parts       []named[part]
	passive     []named[circuit.Branch]
	wireless    []named[*wirelessNode]
	cells       []named[*cell]
	meters      []named[*meter]
	nodes       map[string]circuit.Node
	nodeNames   []string
	timed       []waiting // incidents that wait for their time
	cables      []cable   // trigger lines
	pulses      []pulse   // on their way
	events      newest[Event]
	onEvent     func(Event)
	troubled    bool // things go wrong during the run
}

// part is one device under test: what the engine moves and what Truth shows.
type part interface {
	instrument.Mover
	truth() DeviceTruth
}

type named[T any] struct {
	name string
	it   T
}

// station is one instrument on the bench with the time at which it goes on by itself.
type station struct {
	*instrument.Instrument
	quirks   Quirks
	due      int64
	conns    []*Conn
	troubles *troubles // nil: none
}

// Truth is what really is, which no instrument shows.
type Truth struct {
	At        time.Duration           // since the bench was switched on
	Volts     map[string]float64      // by node, against ground
	Channels  map[string]ChannelTruth // by "instrument.channel"
	Devices   map[string]DeviceTruth  // by device; converters only
	Passive   map[string]PassiveTruth // resistors, diodes...
	Nodes     map[string]NodeTruth    // wireless nodes
	Batteries map[string]BatteryTruth
	// Taken is what has gone into the first terminals of each device, capacitors included where they are the device's own, and out of
	// (into, for loads) each channel that is wired, as "instrument.channel".
	Taken   map[string]Taken
	Balance float64 // relative power that is left over; 0 is exact
	Problem error   // why there is no operating point at present
}

// ChannelTruth is the true side of one instrument channel.
type ChannelTruth struct {
	Volts, Amps float64 // at its own measuring points: out of a source, into a load, through a meter
	Status      uint16  // QUEStionable condition
}

// DeviceTruth is the true point of a converter.
type DeviceTruth struct {
	device.Truth
	NetWatts float64 // power into its terminals by the network: equal to LossWatts
}

// PassiveTruth is the true point of a part with two terminals.
type PassiveTruth struct{ Volts, Amps, Watts float64 }

// Clock returns the simulated time of the bench; its Sleep moves the bench along.
func (b *Bench) Clock() *clock.Virtual { return b.clock }

// Instruments returns the names of the instruments, in the order of the scenario.
func (b *Bench) Instruments() []string {
	names := make([]string, len(b.instruments))
	for i, s := range b.instruments {
		names[i] = s.Name()
	}
	return names
}

// moved is the clock's hook: it brings the bench to the clock's time.
func (b *Bench) moved(to time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.advance(int64(to.Sub(b.start)))
}

// advance moves physics and instruments to a time, each instrument exactly when it is due.
func (b *Bench) advance(to int64) {
	for {
		at := max(min(b.due(), to), b.engine.now)
		b.engine.advance(at)
		at = b.engine.now
		b.deliver(at)
		if b.troubled {
			b.strikeDue(at)
		}
		for _, s := range b.instruments {
			if s.due <= at {
				b.run(s)
			}
		}
		if at >= to && b.due() > to {
			return
		}
	}
}

// run lets an instrument do what it can do now.
func (b *Bench) run(s *station) {
	s.ActBySelf(b.engine.now)
	s.due = instrument.Never
	next := s.Device().Run(b.engine.now)
	s.due = min(s.due, next, s.DueBySelf())
	for i := len(s.conns) - 1; i >= 0; i-- {
		s.conns[i].collect()
		if s.conns[i].closed {
			s.conns[i].retire()
		}
	}
}

// due returns the time at which the next instrument goes on by itself.
func (b *Bench) due() int64 {
	next := instrument.Never
	for _, s := range b.instruments {
		next = min(next, s.due)
	}
	for _, p := range b.pulses {
		next = min(next, p.at)
	}
	if b.troubled {
		next = min(next, b.happensAt())
	}
	return next
}

// Due returns the simulated time at which an instrument will next do something by itself, such as finish a reading; false when none will.
func (b *Bench) Due() (time.Time, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	at := b.due()
	if at == instrument.Never {
		return time.Time{}, false
	}
	return b.start.Add(time.Duration(at)), true
}

func (b *Bench) station(name string) (*station, error) {
	for _, s := range b.instruments {
		if s.Name() == name {
			return s, nil
		}
	}
	return nil, fmt.Errorf("the simulated bench has no instrument %q; it has %v", name, b.Instruments())
}

// Truth returns the true state of the bench at its present time. It is for tests, and for the simulator's own report.
func (b *Bench) Truth() Truth {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.engine.observe()
	t := Truth{
		At: time.Duration(b.engine.now), Volts: map[string]float64{}, Channels: map[string]ChannelTruth{},
		Devices: map[string]DeviceTruth{}, Passive: map[string]PassiveTruth{}, Nodes: map[string]NodeTruth{}, Batteries: map[string]BatteryTruth{},
		Taken:   map[string]Taken{},
		Balance: b.engine.net.Balance().Relative(), Problem: b.engine.fault,
	}
	for _, name := range b.nodeNames {
		t.Volts[name] = b.engine.net.Volts(b.nodes[name])
	}
	for _, s := range b.instruments {
		for i := range s.Channels() {
			c := s.Channel(i + 1)
			t.Channels[fmt.Sprintf("%s.%d", s.Name(), i+1)] = ChannelTruth{c.Volts(), c.Amps(), c.Status()}
		}
	}
	for _, p := range b.parts {
		t.Devices[p.name] = p.it.truth()
	}
	for _, p := range b.passive {
		v, _ := b.engine.net.PortVolts(p.it)
		t.Passive[p.name] = PassiveTruth{v, b.engine.net.Amps(p.it), b.engine.net.Watts(p.it)}
	}
	for _, n := range b.wireless {
		t.Nodes[n.name] = n.it.truth()
	}
	for _, c := range b.cells {
		t.Batteries[c.name] = c.it.truth()
	}
	for _, m := range b.meters {
		t.Taken[m.name] = m.it.taken()
	}
	return t
}

// world is the bench as its instruments see it; they run under the bench's lock.
type world struct{ b *Bench }

func (w world) Now() int64                    { return w.b.engine.now }
func (w world) Touch()                        { w.b.engine.touch() }
func (w world) Observe()                      { w.b.engine.observe() }
func (w world) Watch(v *instrument.Window)    { w.b.engine.watch(v) }
func (w world) Unwatch(v *instrument.Window)  { w.b.engine.unwatch(v) }
func (w world) Record(s *instrument.Stream)   { w.b.engine.record(s) }
func (w world) Unrecord(s *instrument.Stream) { w.b.engine.unrecord(s) }

func (w world) Sample(s instrument.Sampler)           { w.b.engine.sample(s) }
func (w world) Unsample(s instrument.Sampler)         { w.b.engine.unsample(s) }
func (w world) Wake(name string, at int64)            { w.b.wake(name, at) }
func (w world) Pulse(name string, line int, at int64) { w.b.pulse(name, line, at) }

func (w world) Log(name string, channel int, kind instrument.EventKind, text string, value float64) {
	e := Event{time.Duration(w.b.engine.now), name, channel, kind, text, value}
	w.b.events.add(e)
	if w.b.onEvent != nil {
		w.b.onEvent(e)
	}
}
