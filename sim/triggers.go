package sim

import (
	"math"
	"strconv"
	"strings"
	"time"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sim/instrument"
)

// TriggerLine is a cable on which one instrument triggers others.
type TriggerLine struct {
	From   string
	To     []string
	Line   int           // number of the line, the same on all of them
	Delay  time.Duration // from the pulse until it has acted
	Jitter time.Duration // by which that is longer or shorter, at most
	Place  diag.Place
}

// What a cable and the inputs at its end take, from memory: a microsecond, give or take.
const (
	usualLineDelay  = time.Microsecond
	usualLineJitter = 200 * time.Nanosecond
	leastPulseNs    = 100 // no pulse is quicker
)

// cable is a trigger line on the bench.
type cable struct {
	TriggerLine
	name   string
	to     []*station
	seed   instrument.Seed
	pulses uint64
}

// pulse is one that is on its way.
type pulse struct {
	at   int64 // ns
	to   *station
	line int
}

// connectLines puts the cables in, and joins each line of an instrument to itself: what it drives it hears too.
func (b *Bench) connectLines(lines []TriggerLine, seed instrument.Seed) {
	for _, l := range lines {
		c := cable{TriggerLine: l, name: l.From + " line " + strconv.Itoa(l.Line), seed: seed}
		for _, name := range l.To {
			if s, err := b.station(name); err == nil {
				c.to = append(c.to, s)
			}
		}
		b.cables = append(b.cables, c)
	}
}

// pulse sends a pulse on a line of an instrument. It comes to the instrument itself too, without a cable's delay.
func (b *Bench) pulse(from string, line int, at int64) {
	send := func(to *station, span int64) {
		b.pulses = append(b.pulses, pulse{max(at+max(span, leastPulseNs), b.engine.now), to, line})
	}
	if s, err := b.station(from); err == nil {
		send(s, leastPulseNs)
	}
	for i := range b.cables {
		c := &b.cables[i]
		if c.From != from || c.Line != line {
			continue
		}
		c.pulses++
		for k, to := range c.to {
			u := c.seed.Uniform(instrument.Key{Instrument: c.name, Channel: k, What: "trigger line", Number: c.pulses})
			send(to, int64(c.Delay)+int64(math.Round(u*float64(c.Jitter))))
		}
	}
	b.engine.halted = true
}

// deliver hands over the pulses that have come by a time, the earliest first.
func (b *Bench) deliver(now int64) {
	for len(b.pulses) > 0 {
		first := 0
		for i := range b.pulses {
			if b.pulses[i].at < b.pulses[first].at {
				first = i
			}
		}
		p := b.pulses[first]
		if p.at > now {
			return
		}
		b.pulses = append(b.pulses[:first], b.pulses[first+1:]...)
		p.to.Triggered(p.line, now)
		b.run(p.to)
	}
}

// wake has an instrument act by itself at a time.
func (b *Bench) wake(name string, at int64) {
	if s, err := b.station(name); err == nil {
		s.due = min(s.due, max(at, b.engine.now))
		b.engine.halted = true
	}
}

func triggerShape() *diag.Shape {
	return &diag.Shape{Title: "a trigger line", About: "a cable on which one instrument triggers others", Fields: []diag.Field{
		{Name: "from", Type: diag.Text(), Required: true, About: "the instrument that pulses"},
		{Name: "to", Type: diag.Either(diag.Text(), diag.ListOf(diag.Text())), Required: true, About: "the instrument, or the instruments, that it triggers"},
		{Name: "line", Type: diag.Whole(1, instrument.Lines), Required: true, About: "number of the line, the same on all of them"},
		{Name: "delay", Type: diag.Amount(quantity.Time), About: "from the pulse until it has acted, 0.1 us to 1 ms; 1 us where it is left out"},
		{Name: "jitter", Type: diag.Amount(quantity.Time), About: "by which that is longer or shorter, at most; 200 ns where it is left out"},
	}}
}

func (r *reader) triggers(n *diag.Node, s *Scenario) {
	if n == nil {
		return
	}
	used := map[string]bool{}
	take := func(at *diag.Node, line int) bool {
		known := false
		var names []string
		for i := range s.Instruments {
			names = append(names, s.Instruments[i].Name)
			known = known || s.Instruments[i].Name == at.Text
		}
		if !known {
			r.found.AddHint(at.Place, diag.Suggest(at.Text, names), "there is no instrument %q", at.Text)
			return false
		}
		key := at.Text + " " + strconv.Itoa(line)
		if used[key] {
			r.found.Add(at.Place, "line %d of %s is used already", line, at.Text)
			return false
		}
		used[key] = true
		return true
	}
	for _, item := range n.Items {
		t := TriggerLine{From: item.Get("from").Text, Delay: usualLineDelay, Jitter: usualLineJitter, Place: item.Place}
		t.Line, _ = strconv.Atoi(strings.TrimSpace(item.Get("line").Text))
		take(item.Get("from"), t.Line)
		to := item.Get("to")
		targets := to.Items
		if to.Form == diag.Scalar {
			targets = []*diag.Node{to}
		}
		if len(targets) == 0 {
			r.found.Add(to.Place, "a trigger line that leads nowhere")
		}
		for _, one := range targets {
			if take(one, t.Line) {
				t.To = append(t.To, one.Text)
			}
		}
		if v := item.Get("delay"); v != nil {
			q, _ := quantity.Parse(v.Text)
			if t.Delay = duration(q.SI); q.SI < 100e-9*0.999 || q.SI > 1e-3 {
				r.found.Add(v.Place, "a trigger line takes 0.1 us to 1 ms")
			}
			t.Jitter = min(t.Jitter, t.Delay)
		}
		if v := item.Get("jitter"); v != nil {
			q, _ := quantity.Parse(v.Text)
			if t.Jitter = duration(q.SI); q.SI < 0 || t.Jitter > t.Delay {
				r.found.Add(v.Place, "the jitter of a trigger line is between 0 s and its delay")
			}
		}
		s.Triggers = append(s.Triggers, t)
	}
}
