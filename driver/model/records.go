package model

import (
	"slices"
	"strings"
	"time"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Records is a channel's ability to record: it takes samples without a pause into a buffer of its own, from which they are fetched in
// blocks.
type Records struct {
	Least, Most time.Duration // interval between samples
	Grid        time.Duration // intervals are whole multiples of it; 0: not stated
	Depth       int64         // samples that the buffer holds, one of each function counting as one; 0: not stated
	Volts, Amps bool          // functions that can be recorded
	Together    bool          // both at once
	Seamless    bool          // each sample is of the smallest range of amps that holds it; else the range stands still
	Totals      bool          // keeps its own count of samples and charge
	Held        bool          // an answer can be held until enough samples wait
}

// Names of the elements of the answers to "record data" and "record totals".
const (
	RecordStart     = "start"     // index of the first sample, counted from the start of the recording
	RecordCount     = "count"     // samples of each function in the answer
	RecordLost      = "lost"      // samples lost since the start
	RecordRuns      = "runs"      // "0:3,1523:5": from sample 0 of the answer on range 3 of amps, the smallest being 1, from 1523 on range 5
	RecordValues    = "values"    // the samples, of two functions one of each in turn, amps first
	RecordTaken     = "taken"     // samples taken since the start, lost ones included
	RecordCoulombs  = "coulombs"  // integral of the current over these
	RecordHandovers = "handovers" // changes of range
)

func recordsShape() *diag.Shape {
	return &diag.Shape{Title: "an ability to record", Fields: []diag.Field{
		{Name: "functions", Type: diag.ListOf(diag.Word("amps", "volts")), Required: true, About: "what it can record"},
		{Name: "together", Type: diag.YesNo(), About: "whether it records amps and volts at once"},
		{Name: "interval", Type: diag.SpanOf(quantity.Time), Required: true, About: "intervals between samples: 10 us..1 s"},
		{Name: "grid", Type: diag.Amount(quantity.Time), About: "intervals are whole multiples of it; left out: any interval"},
		{Name: "depth", Type: diag.Whole(1, 2_000_000_000), About: "samples that its buffer holds, an amp and a volt of one moment counting as one"},
		{Name: "seamless", Type: diag.YesNo(), About: "whether each sample is of the smallest range of amps that holds it, no sample being lost at a hand-over; no: the range stands still"},
	}}
}

func (r *reader) records(n *diag.Node, ch *Channel) *Records {
	s := r.span(n.Get("interval"))
	rec := &Records{Least: seconds(s.Low), Most: seconds(s.High), Grid: r.duration(n.Get("grid")), Together: yes(n.Get("together")), Seamless: yes(n.Get("seamless"))}
	if rec.Least <= 0 || s.High > 86400 {
		r.found.Add(n.Get("interval").Place, "%q: between samples there is some time, a day at most", n.Get("interval").Text)
	}
	if d := n.Get("depth"); d != nil {
		rec.Depth = int64(whole(d))
	}
	for _, item := range n.Get("functions").Items {
		switch {
		case item.Text == "amps" && len(ch.Amps) > 0:
			rec.Amps = true
		case item.Text == "volts" && len(ch.Volts) > 0:
			rec.Volts = true
		default:
			r.found.Add(item.Place, "a channel that records %s needs ranges of %s under measures", item.Text, item.Text)
		}
	}
	if t := n.Get("together"); rec.Together && len(n.Get("functions").Items) < 2 {
		r.found.Add(t.Place, "together needs amps and volts among the functions")
	}
	if t := n.Get("seamless"); rec.Seamless && len(ch.Amps) == 1 {
		r.found.Add(t.Place, "there is one range of amps only, and nothing to hand over to")
	}
	return rec
}

func seconds(x float64) time.Duration { return time.Duration(x*1e9 + 0.5) }

// recordWords looks whether a dialect suffices for recording, and takes from it what the words alone say.
func (r *reader) recordWords(rec *Records, d Dialect, place diag.Place, say, ask func(what, reason string)) {
	say("record start", "a channel records")
	say("record stop", "a channel records")
	ask("record data", "a channel records")
	switch {
	case rec.Together:
		say("record both", "a channel records amps and volts together")
	case rec.Amps:
		say("record amps", "a channel records amps")
	}
	if rec.Volts && !rec.Together {
		say("record volts", "a channel records volts")
	}
	if rec.Least != rec.Most {
		say("record interval", "a channel has a choice of intervals between samples")
	}
	if rec.Seamless && d.CanAsk("record data") && !hasField(d.Ask["record data"].Fields, RecordRuns) {
		r.found.Add(place, "a recording hands over between ranges, but the answer to \"record data\" has no element named %s, which says of which range samples are", RecordRuns)
	}
	rec.Totals = d.CanAsk("record totals")
	rec.Held = d.Ask["record data"].hasSlot("least")
}

func (q Query) hasSlot(name string) bool {
	return slices.ContainsFunc(q.Send, func(t Template) bool {
		return slices.ContainsFunc(t.Pieces, func(p Piece) bool { return p.Slot != nil && p.Slot.Name == name })
	})
}

// recordAnswer looks at the elements of an answer about a recording. Numbers in blocks stand there and nowhere else.
func (r *reader) recordAnswer(n *diag.Node, v verb, q *Query) {
	place := n.Place
	if read := n.Get("read"); read != nil {
		place = read.Place
	}
	var known map[string]string
	var needed []string
	switch v.name {
	case "record data":
		known = map[string]string{RecordStart: "whole", RecordCount: "whole", RecordLost: "whole", RecordRuns: "text", RecordValues: "singles"}
		needed = []string{RecordStart, RecordValues}
		if len(q.Send) > 1 {
			r.found.Add(n.Place, "%q is one message, so that its answer is one", v.name)
		}
		if !q.hasSlot("most") && len(q.Send) > 0 {
			r.found.Add(n.Place, "the words for %q have no {most}, and an answer could become too long", v.name)
		}
	case "record totals":
		known = map[string]string{RecordTaken: "whole", RecordLost: "whole", RecordCoulombs: "number", RecordHandovers: "whole"}
		needed = []string{RecordTaken}
	}
	for _, f := range q.Fields {
		form, _, _ := strings.Cut(f.Form, " ")
		want, ok := known[f.Name]
		switch {
		case form == "skip":
		case known == nil && form == "singles" && !isFetch(v):
			r.found.AddHint(place, "only the answers to \"record data\" and \"fetch\" have numbers in a block", "%q is read as %s", f.Name, f.Form)
		case known == nil:
		case !ok && n.Form != diag.Scalar:
			r.found.AddHint(place, "those that are of no use are read as skip", "the answer to %q has no element %q", v.name, f.Name)
		case ok && form != want:
			r.found.Add(place, "%s of the answer to %q is read as %s, not as %s", f.Name, v.name, want, f.Form)
		}
	}
	if m := n.Get("match"); m != nil && known != nil {
		r.found.Add(m.Place, "the answer to %q cannot be cut by a regular expression; its elements stand between commas", v.name)
		return
	}
	for _, name := range needed {
		if f := fieldOf(q.Fields, name); f.Name == "" || f.Form == "skip" {
			r.found.AddHint(place, "write it as {send: ..., read: {...}}", "the answer to %q needs an element named %s", v.name, name)
			return
		}
	}
}
