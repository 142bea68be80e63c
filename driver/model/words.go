package model

import (
	"regexp"
	"slices"
	"strings"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// dialect reads the words themselves; whether they suffice for a channel is for words.
func (r *reader) dialect(n *diag.Node) Dialect {
	d := Dialect{Say: map[string][]Template{}, Ask: map[string]Query{}}
	if say := n.Get("say"); say != nil {
		for _, e := range say.Entries {
			v := find(sayVerbs(), e.Key)
			d.Say[e.Key] = r.templates(e.Value, v, true)
		}
	}
	if ask := n.Get("ask"); ask != nil {
		for _, e := range ask.Entries {
			d.Ask[e.Key] = r.query(e.Value, find(askVerbs(), e.Key))
		}
	}
	return d
}

// dimOf is what a verb's number is.
func dimOf(v string) quantity.Dimension {
	switch {
	case strings.HasSuffix(v, "volts"):
		return quantity.Voltage
	case strings.HasSuffix(v, "amps"), v == "level range", v == "record top":
		return quantity.Current
	case v == "record interval", v == "capture interval", v == "capture delay", v == "list dwell":
		return quantity.Time
	case v == "bandwidth":
		return quantity.Frequency
	case v == "record totals":
		return quantity.Charge
	case strings.HasSuffix(v, "ohms"):
		return quantity.Resistance
	case strings.HasSuffix(v, "watts"):
		return quantity.Power
	}
	return quantity.Ratio
}

func (r *reader) templates(n *diag.Node, v verb, command bool) []Template {
	items := n.Items
	if n.Form == diag.Scalar {
		items = []*diag.Node{n}
	}
	if len(items) == 0 {
		r.found.Add(n.Place, "%q has no message", v.name)
	}
	var out []Template
	has := false
	for _, item := range items {
		t, err := parseTemplate(item.Text, dimOf(v.name))
		if err != nil {
			r.found.Add(item.Place, "%q: %s", item.Text, err)
			return []Template{{Pieces: []Piece{{Text: item.Text}}}} // the verb is there, if badly
		}
		for _, p := range t.Pieces {
			switch {
			case p.Slot == nil || p.Slot.Name == "ch":
			case slices.Contains(v.slots, p.Slot.Name):
				has = true
			default:
				hint := "it has {ch} only"
				if len(v.slots) > 0 {
					hint = "it has {" + strings.Join(v.slots, "} or {") + "}, and {ch}"
				}
				r.found.AddHint(item.Place, hint, "%q has no {%s}", v.name, p.Slot.Name)
				return []Template{t}
			}
		}
		out = append(out, t)
	}
	if command && len(v.slots) > 0 && !has && len(items) > 0 {
		r.found.Add(n.Place, "the words for %q have no {%s}, so the value would never be sent", v.name, strings.Join(v.slots, "} or {"))
	}
	return out
}

func (r *reader) query(n *diag.Node, v verb) Query {
	q := Query{}
	dim := dimOf(v.name)
	if n.Form == diag.Scalar {
		q.Send = r.templates(n, v, false)
		if v.form == "" {
			r.found.AddHint(n.Place, "write it as {send: ..., read: ..., means: ...}", "how to read the answer to %q must be said", v.name)
		}
		q.Fields = []Field{{Name: "value", Form: v.form, Scale: 1}}
		r.recordAnswer(n, v, &q)
		r.blockAnswer(n, v, &q)
		return q
	}
	q.Send = r.templates(n.Get("send"), v, false)
	q.Fields = r.fields(n.Get("read"), v, dim)
	if m := n.Get("match"); m != nil {
		q.Match = r.match(m, q.Fields)
	}
	r.meanings(n, v, &q)
	r.recordAnswer(n, v, &q)
	r.blockAnswer(n, v, &q)
	if v.name == "error" && n.Get("read") != nil && !hasField(q.Fields, "number") && len(q.Means) == 0 {
		r.found.Add(n.Get("read").Place, "the answer to \"error\" needs a field named number")
	}
	if v.form == "number" && !hasForm(q.Fields, "number") && len(q.Send) > 0 {
		r.found.Add(n.Place, "the answer to %q has no number", v.name)
	}
	return q
}

func (r *reader) fields(n *diag.Node, v verb, dim quantity.Dimension) []Field {
	form := v.form
	if form == "" {
		form = "text"
	}
	if n == nil {
		return []Field{{Name: "value", Form: form, Scale: 1}}
	}
	entries := n.Entries
	if n.Form == diag.Scalar {
		entries = []diag.Entry{{Key: "value", Value: n}}
	}
	var out []Field
	for _, e := range entries {
		f, err := parseField(e.Key, e.Value.Text, dim)
		if err != nil {
			r.found.Add(e.Value.Place, "%s", err)
			f.Form = form
		}
		out = append(out, f)
	}
	if len(out) == 0 {
		r.found.Add(n.Place, "the answer has no fields")
	}
	return out
}

func (r *reader) match(n *diag.Node, fields []Field) *regexp.Regexp {
	p, err := regexp.Compile(n.Text)
	if err != nil {
		r.found.Add(n.Place, "%q is no regular expression: %s", n.Text, regexpFault(err))
		return nil
	}
	for _, f := range fields {
		if p.SubexpIndex(f.Name) < 0 {
			r.found.AddHint(n.Place, "write it as (?P<"+f.Name+">...)", "the expression has no group named %s", f.Name)
		}
	}
	return p
}

func (r *reader) meanings(n *diag.Node, v verb, q *Query) {
	means := n.Get("means")
	if means == nil {
		if v.form == "" {
			r.found.AddHint(n.Place, "add means, as in {on: \"out = 1\"}", "what the answer to %q means must be said", v.name)
		}
		return
	}
	var known []string
	for _, f := range q.Fields {
		if f.Form != "skip" {
			known = append(known, f.Name)
		}
	}
	for _, e := range means.Entries {
		m, err := parseMeaning(e.Key, e.Value.Text)
		if err != nil {
			r.found.Add(e.Value.Place, "%s", err)
			continue
		}
		for _, c := range m.All {
			if !slices.Contains(known, c.Field) {
				r.found.AddHint(e.Value.Place, diag.Suggest(c.Field, known), "the answer has no field %q", c.Field)
				continue
			}
			if f := fieldOf(q.Fields, c.Field); c.Mask != 0 && f.Form != "whole" {
				r.found.AddHint(e.Value.Place, "read "+f.Name+" as whole", "bits are taken from a field that is read as %s", f.Form)
			}
		}
		q.Means = append(q.Means, m)
	}
}

func hasField(fields []Field, name string) bool { return fieldOf(fields, name).Name == name }

func fieldOf(fields []Field, name string) Field {
	for _, f := range fields {
		if f.Name == name {
			return f
		}
	}
	return Field{}
}

func hasForm(fields []Field, form string) bool {
	return slices.ContainsFunc(fields, func(f Field) bool { return f.Form == form })
}

// words looks whether a channel's dialect suffices for what the channel can do.
func (r *reader) words(ch *Channel, n, dialect *diag.Node, several bool) {
	place := dialect.Place
	if own := n.Get("dialect"); own != nil {
		place = own.Place
	}
	need := func(what string, has bool, reason string) {
		if !has {
			r.found.Add(place, "%s, but there are no words for %q", reason, what)
		}
	}
	say := func(what, reason string) { need(what, ch.Dialect.CanSay(what), reason) }
	ask := func(what, reason string) { need(what, ch.Dialect.CanAsk(what), reason) }
	if s := ch.Source; s != nil {
		for _, what := range []string{"set volts", "set amps", "switch on", "switch off"} {
			say(what, "a channel is a source")
		}
		r.abilities(say, s.OverVolts.Set, s.OverAmps.Set, s.SenseVolts > 0)
		if s.Ohms.Set {
			say("set ohms", "output_resistance states what can be set")
		}
		if s.ForcedAmps.Set {
			say("force amps", "forces_amps states what can be forced")
			say("limit volts", "forces_amps states what can be forced")
		}
	}
	if ch.Relay != nil {
		say("switch on", "a channel is a switch")
		say("switch off", "a channel is a switch")
	}
	if l := ch.Load; l != nil {
		say("switch on", "a channel is a load")
		say("switch off", "a channel is a load")
		say("hold amps", "a channel is a load")
		if l.Ohms.Set {
			say("hold ohms", "the load has levels of constant resistance")
		}
		if l.Watts.Set {
			say("hold watts", "the load has levels of constant power")
		}
		if len(l.AmpsRanges) > 1 {
			say("level range", "the load has ranges of current")
		}
		if l.Shorts {
			say("short on", "short states that the load can be one")
			say("short off", "short states that the load can be one")
		}
		l.ConstVolts = ch.Dialect.CanSay("hold volts")
		r.abilities(say, l.OverVolts.Set, l.OverAmps.Set, l.SenseVolts > 0)
	}
	measures := func(function string, ranges []Range) {
		if len(ranges) > 0 {
			ask("read "+function, "a channel measures "+function)
		}
		if len(ranges) > 1 {
			say("range "+function, "a channel has several ranges of "+function)
		}
	}
	measures("volts", ch.Volts)
	measures("amps", ch.Amps)
	if a := ch.Aperture; a.Least != a.Most && !ch.Dialect.CanSay("aperture volts") && !ch.Dialect.CanSay("aperture amps") {
		r.found.Add(place, "a channel has a choice of apertures, but there are no words for \"aperture volts\" or \"aperture amps\"")
	}
	if ch.Records != nil {
		r.recordWords(ch.Records, ch.Dialect, place, say, ask)
	}
	r.captureWords(ch, say, ask)
	if several {
		r.numbered(ch, n, place)
	}
}

// abilities are those that sources and loads share.
func (r *reader) abilities(say func(what, reason string), overVolts, overAmps, sense bool) {
	if overVolts {
		say("protect volts", "over_volts states levels")
	}
	if overAmps {
		say("protect amps", "over_amps states levels")
	}
	if sense {
		say("sense remote", "sense_compensation states remote sense")
		say("sense local", "sense_compensation states remote sense")
	}
}

// numbered looks whether the channels of an instrument with several can be told apart: a command without {ch} would reach all of them, or
// the wrong one. Words that one channel alone has are its own business.
func (r *reader) numbered(ch *Channel, n *diag.Node, place diag.Place) {
	own := n.Get("dialect").Get("say")
	for _, what := range []string{"set volts", "set amps", "force amps", "limit volts", "set ohms", "switch on", "switch off", "hold amps", "short on", "record start", "record stop", "list volts", "list amps", "list start", "arm"} {
		if own.Get(what) != nil && n.Get("copies") == nil {
			continue
		}
		for _, t := range ch.Dialect.Say[what] {
			if !strings.Contains(t.String(), "{ch}") {
				r.found.AddHint(place, "put {ch} where the channel's number belongs", "with several channels, %q cannot tell them apart: %q", what, t.String())
				return
			}
		}
	}
}

// common looks at what belongs to the instrument as a whole.
func (r *reader) common(m *Model, dialect *diag.Node) {
	if !m.Dialect.CanAsk("identity") {
		r.found.AddHint(dialect.Place, "most instruments answer \"*IDN?\"", "without words for \"identity\" nobody knows who is spoken to")
	}
	for _, verb := range []string{"disarm watchdog", "feed watchdog"} {
		if m.Dialect.CanSay(verb) && !m.Dialect.CanSay("arm watchdog") {
			r.found.Add(dialect.Place, "there are words for %q, but none for \"arm watchdog\"", verb)
		}
	}
	if m.Dialect.CanSay("arm watchdog") && !m.Dialect.CanSay("disarm watchdog") {
		r.found.Add(dialect.Place, "a watchdog that is armed and cannot be disarmed would act after the run; there are no words for \"disarm watchdog\"")
	}
	if m.Dialect.CanSay("mark end") && !m.Dialect.CanAsk("events") {
		r.found.Add(dialect.Place, "\"mark end\" sets a bit that only \"events\" can show, and there are no words for that")
	}
}
