package model

import (
	"slices"
	"strings"
	"time"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Digitises is a channel's ability to take samples, or readings, around triggers into a buffer that is fetched as a whole.
type Digitises struct {
	Least, Most    time.Duration // interval between samples; 0: it takes readings alone, one at each trigger
	Grid           time.Duration // intervals are whole multiples of it; 0: not stated
	Points         int           // samples that the buffer holds, an amp and a volt of one moment counting as one
	Readings       int           // readings, one integrated at each trigger, that it holds; 0: it takes samples alone
	Before         bool          // samples before the trigger can be kept
	BandwidthHertz float64       // of the filter before the converter, at -3 dB; 0: not stated
	SkewSeconds    float64       // between the amp and the volt of one sample, at most; 0: not stated
	Again          time.Duration // from the end of a triggered reading until the next trigger is heard; 0: not stated
	Triggers       []string      // what it can wait for: words of [TriggerWords]
}

// CanTrigger tells whether it can wait for an event.
func (d *Digitises) CanTrigger(on string) bool { return slices.Contains(d.Triggers, on) }

// Words for what a capture or a list waits for.
const (
	AtOnce    = "at once"  // nothing
	Software  = "software" // a command
	OnVolts   = "volts"    // its volts cross a level
	OnAmps    = "amps"     // its amps do
	OnOutput  = "output"   // its output, or input, goes on
	OnLine    = "line"     // a pulse on a trigger line
	PulseStep = "steps"    // a line pulses at each step of a list
	PulseTake = "capture"  // when a capture is triggered
)

// TriggerWords are those that a capture can wait for.
func TriggerWords() []string { return []string{AtOnce, Software, OnVolts, OnAmps, OnOutput, OnLine} }

// Lists is a channel's ability to run through a list of levels by itself.
type Lists struct {
	Steps       int           // most
	Least, Most time.Duration // dwell of a step
	Volts, Amps bool          // what can be a list: the voltage of a source, its limit or the current of a load
}

// Triggers is what an instrument's trigger lines are.
type Triggers struct {
	Lines         int
	Delay, Jitter time.Duration // from a pulse on a line to what it triggers; 0: not stated
}

// Lines is how many trigger lines the instrument has.
func (m *Model) Lines() int {
	most := 0
	for i := range m.Channels {
		if t := m.Channels[i].Triggers; t != nil {
			most = max(most, t.Lines)
		}
	}
	return most
}

func digitisesShape() *diag.Shape {
	return &diag.Shape{Title: "an ability to digitise", Fields: []diag.Field{
		{Name: "interval", Type: diag.SpanOf(quantity.Time), About: "intervals between samples: 1 us..1 s; left out: it takes no samples, but readings"},
		{Name: "grid", Type: diag.Amount(quantity.Time), About: "intervals are whole multiples of it; left out: any interval"},
		{Name: "points", Type: diag.Whole(2, 2_000_000_000), About: "samples that its buffer holds, an amp and a volt of one moment counting as one"},
		{Name: "readings", Type: diag.Whole(1, 2_000_000_000), About: "readings that it holds, one integrated at each trigger; left out: it takes samples alone"},
		{Name: "again", Type: diag.Amount(quantity.Time), About: "from the end of a triggered reading until the next trigger is heard; reading of timing where left out"},
		{Name: "before", Type: diag.YesNo(), About: "whether samples from before the trigger can be kept"},
		{Name: "bandwidth", Type: diag.Amount(quantity.Frequency), About: "of the filter before the converter, at -3 dB"},
		{Name: "skew", Type: diag.Amount(quantity.Time), About: "between the amp and the volt of one sample, at most"},
		{Name: "triggers", Type: diag.ListOf(diag.Word(TriggerWords()...)), Required: true, About: "what it can wait for"},
	}}
}

func listsShape() *diag.Shape {
	return &diag.Shape{Title: "an ability to run lists", Fields: []diag.Field{
		{Name: "steps", Type: diag.Whole(2, 1_000_000), Required: true, About: "most steps of a list"},
		{Name: "dwell", Type: diag.SpanOf(quantity.Time), Required: true, About: "how long a step can last: 50 us..3600 s"},
		{Name: "of", Type: diag.ListOf(diag.Word("volts", "amps")), Required: true, About: "what can be a list"},
	}}
}

func triggersShape() *diag.Shape {
	return &diag.Shape{Title: "trigger lines", Fields: []diag.Field{
		{Name: "lines", Type: diag.Whole(1, 99), Required: true, About: "how many there are"},
		{Name: "delay", Type: diag.Amount(quantity.Time), About: "from a pulse to what it triggers"},
		{Name: "jitter", Type: diag.Amount(quantity.Time), About: "how far that varies"},
	}}
}

func (r *reader) digitises(n *diag.Node, ch *Channel) *Digitises {
	d := &Digitises{Grid: r.duration(n.Get("grid")), Again: r.duration(n.Get("again")), Before: yes(n.Get("before")), BandwidthHertz: r.amount(n.Get("bandwidth")), SkewSeconds: r.amount(n.Get("skew"))}
	if p := n.Get("points"); p != nil {
		d.Points = whole(p)
	}
	if p := n.Get("readings"); p != nil {
		d.Readings = whole(p)
	}
	if i := n.Get("interval"); i != nil {
		s := r.span(i)
		if d.Least, d.Most = seconds(s.Low), seconds(s.High); d.Least <= 0 || s.High > 86400 {
			r.found.Add(i.Place, "%q: between samples there is some time, a day at most", i.Text)
		}
	}
	switch interval, points := n.Get("interval"), n.Get("points"); {
	case interval != nil && points == nil:
		r.found.AddHint(interval.Place, "add points, as in points: 65536", "of samples there are as many as the buffer holds, and that is not stated")
	case interval == nil && points != nil:
		r.found.AddHint(points.Place, "add interval, as in interval: 1 us..1 s", "samples come at intervals, and none are stated")
	case interval == nil && d.Readings == 0:
		r.found.AddHint(n.Place, "write as in {interval: 1 us..1 s, points: 65536, triggers: [at once]}", "it takes neither samples (interval and points) nor readings (readings)")
	}
	for _, item := range n.Get("triggers").Items {
		if slices.Contains(d.Triggers, item.Text) {
			r.found.Add(item.Place, "%s stands here twice", item.Text)
		}
		d.Triggers = append(d.Triggers, item.Text)
		switch {
		case item.Text == OnVolts && len(ch.Volts) == 0, item.Text == OnAmps && len(ch.Amps) == 0:
			r.found.Add(item.Place, "to wait for %s it needs ranges of %s under measures", item.Text, item.Text)
		case item.Text == OnOutput && ch.Source == nil && ch.Load == nil:
			r.found.Add(item.Place, "a channel that is neither source nor load has no output to wait for")
		case item.Text == OnLine && ch.Triggers == nil:
			r.found.AddHint(item.Place, "state them under triggers, as in triggers: {lines: 4}", "the channel has no trigger lines to wait for")
		}
	}
	if len(d.Triggers) == 0 {
		r.found.Add(n.Get("triggers").Place, "it waits for something, if only for the command: at once")
	}
	if len(ch.Volts)+len(ch.Amps) == 0 {
		r.found.Add(n.Place, "a channel that digitises needs ranges under measures")
	}
	return d
}

func (r *reader) lists(n *diag.Node, ch *Channel) *Lists {
	s := r.span(n.Get("dwell"))
	l := &Lists{Steps: whole(n.Get("steps")), Least: seconds(s.Low), Most: seconds(s.High)}
	if l.Least <= 0 || s.High > 86400 {
		r.found.Add(n.Get("dwell").Place, "%q: a step lasts for some time, a day at most", n.Get("dwell").Text)
	}
	if len(n.Get("of").Items) == 0 {
		r.found.Add(n.Get("of").Place, "what can be a list is missing: volts, amps or both")
	}
	for _, item := range n.Get("of").Items {
		switch {
		case ch.Source == nil && ch.Load == nil:
			r.found.Add(item.Place, "a channel that runs lists is a source or a load")
			return l
		case item.Text == "volts":
			l.Volts = true
		default:
			l.Amps = true
		}
	}
	return l
}

func (r *reader) triggers(n *diag.Node) *Triggers {
	return &Triggers{Lines: whole(n.Get("lines")), Delay: r.duration(n.Get("delay")), Jitter: r.duration(n.Get("jitter"))}
}

// captureWords looks whether a dialect suffices for the captures and lists of a channel.
func (r *reader) captureWords(ch *Channel, say, ask func(what, reason string)) {
	const captures, lists = "a channel digitises", "a channel runs lists"
	if d := ch.Digitises; d != nil {
		say("arm", captures)
		ask("capture state", captures)
		say("abort", captures)
		for _, f := range []struct {
			name   string
			ranges []Range
		}{{"volts", ch.Volts}, {"amps", ch.Amps}} {
			if len(f.ranges) > 0 {
				ask("fetch "+f.name, captures+" "+f.name)
			}
		}
		for _, on := range d.Triggers {
			say("wait for "+on, "triggers of digitises has "+on)
		}
		if slices.Contains(d.Triggers, Software) {
			say("trigger", "triggers of digitises has software")
		}
		if d.Least != d.Most {
			say("capture interval", captures+" at a choice of intervals")
		}
		if d.Points > 0 {
			say("capture points", captures)
		}
		if d.Before {
			say("capture before", "samples before the trigger can be kept")
		}
		if d.Readings > 1 {
			say("capture count", "a channel takes readings at several triggers")
		}
	}
	if l := ch.Lists; l != nil {
		say("abort", lists)
		say("list dwell", lists)
		say("list start", lists)
		ask("list state", lists)
		for _, f := range []struct {
			name string
			has  bool
		}{{"volts", l.Volts}, {"amps", l.Amps}} {
			if f.has {
				say("list "+f.name, lists+" of "+f.name)
				say("fixed "+f.name, lists+" of "+f.name)
			}
		}
	}
}

// isFetch tells whether a verb asks for what was captured.
func isFetch(v verb) bool { return strings.HasPrefix(v.name, "fetch ") }

// blockAnswer looks at the answer to a question for captured samples, which is one block.
func (r *reader) blockAnswer(n *diag.Node, v verb, q *Query) {
	if !isFetch(v) {
		return
	}
	if m := n.Get("match"); m != nil {
		r.found.Add(m.Place, "the answer to %q is one block, and cannot be cut by a regular expression", v.name)
	}
	if len(q.Send) > 1 {
		r.found.Add(n.Place, "%q is one message, so that its answer is one", v.name)
	}
	if len(q.Fields) == 1 && strings.HasPrefix(q.Fields[0].Form, "singles") {
		return
	}
	place := n.Place
	if read := n.Get("read"); read != nil {
		place = read.Place
	}
	r.found.AddHint(place, "write it as {send: ..., read: singles}", "the answer to %q is one block, read as singles or singles swapped", v.name)
}
