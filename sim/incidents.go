package sim

import (
	"bytes"
	"strings"

	"fourwire/sim/circuit"
	"fourwire/sim/instrument"
)

// troubles is what goes wrong with one instrument, by message or by time.
type troubles struct {
	waiting []waiting
	heard   int // messages that have come
	refuses bool
	hung    bool
	bytes   bool         // answers go byte by byte
	spoil   []alteration // of the answers to come, in order
	cuts    int          // how often every connection was ended: a connection that was made before the last is cut
}

type waiting struct {
	*Incident
	victim *station // nil: a latch
	latch  *latch
	heard  int // messages with its words so far
	done   bool
}

// alteration is what becomes of one answer.
type alteration struct {
	kind string
	text string
}

// incidents gives the stations their incidents, and the network the parts that can latch up.
func (p *builder) incidents(list []Incident) error {
	b := p.bench
	for i := range list {
		in := &list[i]
		w := waiting{Incident: in}
		if in.Kind == LatchUp {
			w.latch = &latch{bench: b, node: p.node(in.Node), name: "latch at " + in.Node, ohm: in.Ohm, above: in.Above}
			p.net.AddOnePort(w.latch.name, w.latch.node, circuit.Ground, w.latch)
			b.engine.movers = append(b.engine.movers, w.latch)
			if in.HeardBy == "" {
				if !(in.Above > 0) {
					b.timed = append(b.timed, w)
				}
				continue
			}
		} else {
			var err error
			if w.victim, err = b.station(in.Instrument); err != nil {
				return err
			}
			w.victim.trouble()
			if w.Message == 0 && w.Heard == "" {
				b.timed = append(b.timed, w)
				continue
			}
		}
		listener, err := b.station(in.HeardBy)
		if err != nil {
			return err
		}
		t := listener.trouble()
		t.waiting = append(t.waiting, w)
	}
	return nil
}

// trouble makes a station one that things go wrong with.
func (s *station) trouble() *troubles {
	if s.troubles == nil {
		s.troubles = &troubles{}
	}
	return s.troubles
}

// happensAt returns the time of the next incident that waits for one.
func (b *Bench) happensAt() int64 {
	next := instrument.Never
	for i := range b.timed {
		next = min(next, int64(b.timed[i].At))
	}
	return next
}

// strikeDue has everything happen whose time has come.
func (b *Bench) strikeDue(now int64) {
	for i := 0; i < len(b.timed); {
		w := b.timed[i]
		if int64(w.At) > now {
			i++
			continue
		}
		b.timed = append(b.timed[:i], b.timed[i+1:]...)
		b.strike(&w)
	}
}

// hears counts a message and has everything happen whose moment it is. It returns false where the instrument does not get it.
func (b *Bench) hears(s *station, message []byte) bool {
	t := s.troubles
	if t.hung {
		return false
	}
	t.heard++
	cuts := t.cuts
	for i := range t.waiting {
		w := &t.waiting[i]
		if w.done {
			continue
		}
		if w.Heard != "" {
			if !bytes.Contains(message, []byte(w.Heard)) {
				continue
			}
			if w.heard++; w.heard < w.Nth {
				continue
			}
		} else if t.heard < w.Message {
			continue
		}
		b.strike(w)
	}
	return !t.hung && t.cuts == cuts
}

// strike has an incident happen now.
func (b *Bench) strike(w *waiting) {
	w.done = true
	if w.latch != nil {
		w.latch.close()
		return
	}
	s, t := w.victim, w.victim.troubles
	world{b}.Log(s.Name(), 0, instrument.Struck, w.Kind, 0)
	switch w.Kind {
	case LinkDrops:
		b.cut(s)
	case LinkRefused:
		t.refuses = true
		b.cut(s)
	case Hangs:
		t.hung = true
	case ByteByByte:
		t.bytes = true
	case NoAnswer, Garbage, WrongBlock, EarlierAnswer:
		for range w.Times {
			t.spoil = append(t.spoil, alteration{w.Kind, w.Text})
		}
	case SpontaneousError:
		s.Blame(w.Code, w.Text)
	case OverVoltage:
		s.Trip(w.Channel)
	case CurrentLimit:
		s.Weaken(w.Channel, w.Amps, 0)
	case Unregulated:
		s.Weaken(w.Channel, 0, w.Ohm)
	case OtherIdentity:
		f := strings.Split(w.Identity, ",")
		s.Device().Identify(f[0], f[1], f[2], f[3])
		b.cut(s)
	case Reboots:
		s.PowerCycle()
		t.spoil = nil
		if !w.KeepsLink {
			b.cut(s)
		}
	case FrontPanel:
		s.Turn(w.Channel, w.Volts, w.Amps)
		if w.Switches {
			s.Press(w.Channel, w.On)
		}
	case DropBlocks:
		s.DropBlocks(w.Channel, w.Share)
	case RecordingGap, SilentGap:
		s.LoseSamples(w.Channel, w.Into, w.For, w.Kind == SilentGap)
	case StaleReading:
		s.Stale()
	}
}

// cut ends every connection of an instrument.
func (b *Bench) cut(s *station) {
	s.troubles.cuts++
	for _, c := range s.conns {
		if c.wake != nil && !c.inside {
			c.wake()
		}
	}
}

// spoiled is what becomes of a whole answer, which ends with ending: no answer, another one, or two. last is the answer before.
func (t *troubles) spoiled(answer, last []byte, ending string) [][]byte {
	if len(t.spoil) == 0 {
		return [][]byte{answer}
	}
	a := t.spoil[0]
	t.spoil = t.spoil[1:]
	switch a.kind {
	case NoAnswer:
		return nil
	case EarlierAnswer:
		if len(last) == 0 {
			last = []byte("0" + ending)
		}
		return [][]byte{last, answer}
	}
	return [][]byte{append([]byte(a.text), ending...)}
}

// Refuses tells whether an instrument takes no connection any more.
func (b *Bench) Refuses(name string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	s, err := b.station(name)
	return err == nil && s.troubles != nil && s.troubles.refuses
}

// latch is a part of a device that joins a node to ground once it has latched up, until the node has been without voltage.
type latch struct {
	bench      *Bench
	node       circuit.Node
	name       string
	ohm, above float64 // above: NaN where it does not latch by itself
	on         bool
}

// latchHolds is the voltage below which a latched path opens; from memory, about one junction.
const latchHolds = 0.7

// Current makes latch a circuit.OnePort.
func (l *latch) Current(volts float64) (amps, siemens float64) {
	if !l.on {
		return 0, 0
	}
	return volts / l.ohm, 1 / l.ohm
}

func (l *latch) close() {
	l.on = true
	world{l.bench}.Log(l.name, 0, instrument.Struck, LatchUp, 0)
	l.bench.engine.touch()
}

func (l *latch) volts() float64 { return l.bench.engine.net.Volts(l.node) }

// Aim makes latch a Mover.
func (l *latch) Aim(int64) {}

// Commit makes latch a Mover.
func (l *latch) Commit(int64) {}

// Horizon makes latch a Mover.
func (l *latch) Horizon(int64) int64 { return instrument.Never }

// Resting makes latch a Mover.
func (l *latch) Resting() bool { return true }

// Condition makes latch a Mover.
func (l *latch) Condition() uint32 {
	switch {
	case !l.on && l.volts() > l.above:
		return 1
	case l.on && l.volts() < latchHolds:
		return 2
	}
	return 0
}

// React makes latch a Mover.
func (l *latch) React(int64) bool {
	switch l.Condition() {
	case 1:
		l.close()
		return true
	case 2:
		l.on = false
		return true
	}
	return false
}

// ByteByByte tells whether an instrument's answers come one byte at a time.
func (c *Conn) ByteByByte() bool {
	c.bench.mu.Lock()
	defer c.bench.mu.Unlock()
	return c.station.troubles != nil && c.station.troubles.bytes
}

// Cut tells whether the instrument has ended the connection: whoever serves it closes the wire.
func (c *Conn) Cut() bool {
	c.bench.mu.Lock()
	defer c.bench.mu.Unlock()
	return c.cut()
}

func (c *Conn) cut() bool { return c.station.troubles != nil && c.station.troubles.cuts != c.cuts }

// troubledFeed hands messages over one by one, so that each is heard before it is obeyed.
func (c *Conn) troubledFeed(in []byte) {
	c.partial = append(c.partial, in...)
	for !c.cut() {
		at := bytes.IndexByte(c.partial, '\n')
		if at < 0 {
			return
		}
		message := bytes.Clone(c.partial[:at+1])
		c.partial = c.partial[:copy(c.partial, c.partial[at+1:])]
		if c.bench.hears(c.station, message) {
			c.feedNow(message)
		} else {
			c.bench.run(c.station)
		}
	}
	c.held, c.partial = nil, nil
}

// troubledOutput takes answers one by one.
func (c *Conn) troubledOutput() {
	for {
		p, end := c.session.Receive(allOfIt)
		if len(p) == 0 && !end {
			return
		}
		c.answer = append(c.answer, p...)
		if !end {
			continue
		}
		ending := c.station.quirks.Terminator
		if ending == "" {
			ending = "\n"
		}
		if answers := c.station.troubles.spoiled(c.answer, c.last, ending); !c.closed {
			for _, a := range answers {
				c.out = append(c.out, a...)
			}
		}
		c.last, c.answer = c.answer, c.last[:0]
	}
}
