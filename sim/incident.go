package sim

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sim/instrument"
)

// Incident is something that goes wrong during a run, at a moment. Which fields count depends on Kind.
type Incident struct {
	Kind       string
	Instrument string // whose it is; empty for a latch-up
	Channel    int    // from 1
	Place      diag.Place

	// The moment: at a simulated time, at the n-th message to the instrument, or at the n-th message in which Heard stands; with
	// neither Message nor Heard at the time, which is the start where none is stated.
	At      time.Duration
	Message int
	Heard   string
	HeardBy string // the instrument whose messages count
	Nth     int

	Times       int // how many answers it spoils
	Text        string
	Code        int
	Volts, Amps float64 // NaN: not stated
	Ohm         float64
	Node        string
	Above       float64 // a latch-up begins by itself above this voltage; NaN: it does not
	On          bool
	Switches    bool   // On counts
	Identity    string // *IDN? from then on
	KeepsLink   bool
	Share       float64       // of answers that lose their samples
	Into, For   time.Duration // of a gap in a recording
}

// The kinds of incident, as the file writes them.
const (
	LinkDrops        = "link-drops"
	LinkRefused      = "link-refused"
	NoAnswer         = "no-answer"
	Hangs            = "hangs"
	ByteByByte       = "byte-by-byte"
	Garbage          = "garbage"
	WrongBlock       = "wrong-block"
	EarlierAnswer    = "earlier-answer"
	SpontaneousError = "spontaneous-error"
	OverVoltage      = "over-voltage"
	CurrentLimit     = "current-limit"
	Unregulated      = "unregulated"
	OtherIdentity    = "other-identity"
	Reboots          = "reboots"
	FrontPanel       = "front-panel"
	StaleReading     = "stale-reading"
	LatchUp          = "latch-up"
	DropBlocks       = "drop-blocks"
	RecordingGap     = "recording-gap"
	SilentGap        = "silent-gap"
)

// Figures of incidents that the file does not state; from memory.
const (
	usualGarbage   = "\x7f\x00~??\x1b]"       // what a wrong baud rate makes of an answer
	usualBlock     = "#3900too short"         // 900 bytes are announced
	usualError     = -310                     // SCPI-1999: system error
	usualErrorText = "System error"           //
	usualStranger  = "Elsewhere,Other,X999,1" // another instrument at the same address
	usualOtherOhm  = 100                      // of a load that cannot get lower
)

// incidentShapes describes each kind of incident.
func incidentShapes() []*diag.Shape {
	named := diag.Field{Name: "instrument", Type: diag.Text(), Required: true, About: "the instrument that it happens to, or instrument.channel"}
	moment := []diag.Field{
		{Name: "at", Type: diag.Amount(quantity.Time), About: "when, in simulated time since the bench was switched on; at the start where nothing says when"},
		{Name: "message", Type: diag.Whole(1, 1<<30), About: "when the instrument has got so many messages, before it obeys the last"},
		{Name: "heard", Type: diag.Text(), About: "when these words stand in a message, before it is obeyed: \":OUTP1 ON\""},
		{Name: "heard_by", Type: diag.Text(), About: "the instrument whose messages count; the one that it happens to where it is left out"},
		{Name: "nth", Type: diag.Whole(1, 1<<30), About: "at which message with the words of \"heard\"; the first where it is left out"},
	}
	times := diag.Field{Name: "times", Type: diag.Whole(1, 1<<30), About: "how many answers it spoils, one after the other; 1 where it is left out"}
	text := diag.Field{Name: "text", Type: diag.Text(), About: "what is answered instead"}
	shape := func(kind, about string, fields ...diag.Field) *diag.Shape {
		all := []diag.Field{{Name: "kind", Type: diag.Word(kind), Required: true, About: "which fault it is"}}
		if kind != LatchUp {
			all = append(all, named)
		}
		return &diag.Shape{Title: "the fault " + kind, About: about, Fields: append(append(all, moment...), fields...)}
	}
	span := []diag.Field{
		{Name: "for", Type: diag.Amount(quantity.Time), Required: true, About: "how long no sample arrives"},
		{Name: "into", Type: diag.Amount(quantity.Time), About: "how far into the recording that is under way at its moment, or into the next one; at once where it is left out"},
	}
	return []*diag.Shape{
		shape(LinkDrops, "the instrument ends every connection; a new one can be made"),
		shape(LinkRefused, "it ends every connection and takes no new one"),
		shape(NoAnswer, "the next query is obeyed, and its answer is not sent", times),
		shape(Hangs, "it obeys and answers nothing any more; its outputs stay as they are"),
		shape(ByteByByte, "its answers come one byte at a time, over a socket or a serial port"),
		shape(Garbage, "the next answer is noise", times, text),
		shape(WrongBlock, "the next answer is a block that is shorter than its header says", times, text),
		shape(EarlierAnswer, "the last answer is sent once more, so that every further answer comes one too late"),
		shape(SpontaneousError, "an error that no command caused enters the error queue",
			diag.Field{Name: "code", Type: diag.Whole(-32768, 32767), About: "its number; -310 where it is left out"},
			diag.Field{Name: "text", Type: diag.Text(), About: "its text"}),
		shape(OverVoltage, "the over-voltage protection trips and latches"),
		shape(CurrentLimit, "a source gives no more than so much from then on, whatever is set",
			diag.Field{Name: "amps", Type: diag.Amount(quantity.Current), Required: true, About: "the most that it gives"}),
		shape(Unregulated, "a load has at least so much resistance from then on, whatever is set",
			diag.Field{Name: "resistance", Type: diag.Amount(quantity.Resistance), About: "the least; 100 ohm where it is left out"}),
		shape(OtherIdentity, "it ends every connection, and another instrument answers the next one",
			diag.Field{Name: "identity", Type: diag.Text(), About: "what *IDN? answers then: four fields with commas between"}),
		shape(Reboots, "its power fails and comes back: outputs off, every setting at its start, connections lost",
			diag.Field{Name: "link", Type: diag.Word("lost", "kept"), About: "kept: the connection leads through something else, such as a serial adapter, and stays"}),
		shape(FrontPanel, "somebody changes a setting by hand",
			diag.Field{Name: "volts", Type: diag.Amount(quantity.Voltage), About: "the new voltage of a source"},
			diag.Field{Name: "amps", Type: diag.Amount(quantity.Current), About: "the new current limit of a source, or the current of a load"},
			diag.Field{Name: "output", Type: diag.Word("on", "off"), About: "its output or input is switched"}),
		shape(StaleReading, "from then on a reading that is fetched is the one before"),
		shape(LatchUp, "a part of the device latches up: it joins a node to ground until the node has been without voltage",
			diag.Field{Name: "node", Type: diag.Text(), Required: true, About: "the node"},
			diag.Field{Name: "resistance", Type: diag.Amount(quantity.Resistance), Required: true, About: "of the path that latches"},
			diag.Field{Name: "above", Type: diag.Amount(quantity.Voltage), About: "it happens by itself when the node rises above this"}),
		shape(DropBlocks, "answers with recorded samples lose them, and the index of the samples jumps",
			diag.Field{Name: "fraction", Type: diag.Amount(quantity.Ratio), Required: true, About: "part of the answers, drawn from the seed"}),
		shape(RecordingGap, "samples of a recording are lost: the index jumps, and the unit counts them as lost", span...),
		shape(SilentGap, "samples of a recording are lost and nothing shows it: the index goes on, only the unit's totals tell", span...),
	}
}

// incidentKind tells whether a kind of fault is an incident; the others are faults of the wiring.
func incidentKind(kind string) bool {
	for _, s := range incidentShapes() {
		if s.Fields[0].Type.Values[0] == kind {
			return true
		}
	}
	return false
}

// incident reads one incident; the instruments have been read before.
func (r *reader) incident(n *diag.Node, s *Scenario) Incident {
	in := Incident{
		Kind: n.Get("kind").Text, Place: n.Place, Channel: 1, Nth: 1, Times: 1, Code: usualError, Text: usualErrorText,
		Volts: math.NaN(), Amps: math.NaN(), Above: math.NaN(), Ohm: usualOtherOhm, Identity: usualStranger,
	}
	switch in.Kind {
	case Garbage:
		in.Text = usualGarbage
	case WrongBlock:
		in.Text = usualBlock
	}
	if v := n.Get("instrument"); v != nil {
		r.whose(v, s, &in)
	}
	in.HeardBy = in.Instrument
	if v := n.Get("heard_by"); v != nil {
		in.HeardBy = v.Text
		var names []string
		for i := range s.Instruments {
			names = append(names, s.Instruments[i].Name)
		}
		if !slices.Contains(names, v.Text) {
			r.found.AddHint(v.Place, diag.Suggest(v.Text, names), "there is no instrument %q", v.Text)
		}
	}
	for key, into := range map[string]*string{"heard": &in.Heard, "text": &in.Text, "identity": &in.Identity} {
		if v := n.Get(key); v != nil {
			*into = v.Text
		}
	}
	for key, into := range map[string]*int{"message": &in.Message, "nth": &in.Nth, "times": &in.Times, "code": &in.Code} {
		if v := n.Get(key); v != nil {
			*into, _ = strconv.Atoi(strings.TrimSpace(v.Text))
		}
	}
	for key, into := range map[string]*float64{"volts": &in.Volts, "amps": &in.Amps, "resistance": &in.Ohm, "above": &in.Above, "fraction": &in.Share} {
		if v := n.Get(key); v != nil {
			q, _ := quantity.Parse(v.Text)
			*into = q.SI
		}
	}
	if v := n.Get("at"); v != nil {
		q, _ := quantity.Parse(v.Text)
		if in.At = duration(q.SI); q.SI < 0 {
			r.found.Add(v.Place, "nothing happens before the bench is switched on")
		}
	}
	for key, into := range map[string]*time.Duration{"for": &in.For, "into": &in.Into} {
		if v := n.Get(key); v != nil {
			q, _ := quantity.Parse(v.Text)
			if *into = duration(q.SI); q.SI < 0 || q.SI == 0 && key == "for" {
				r.found.Add(v.Place, "%s of a fault is above 0", key)
			}
		}
	}
	if v := n.Get("fraction"); v != nil && (in.Share <= 0 || in.Share > 1) {
		r.found.Add(v.Place, "a fraction of answers is above 0 %% and at most 100 %%")
	}
	if v := n.Get("output"); v != nil {
		in.Switches, in.On = true, v.Text == "on"
	}
	if v := n.Get("link"); v != nil {
		in.KeepsLink = v.Text == "kept"
	}
	if v := n.Get("node"); v != nil {
		in.Node = r.node(v)
		if in.Node == Ground {
			r.found.Add(v.Place, "ground cannot latch up to ground")
		}
	}
	r.oneMoment(n, in)
	return in
}

// whose finds the instrument and the channel of an incident, and refuses what such an instrument cannot suffer.
func (r *reader) whose(v *diag.Node, s *Scenario, in *Incident) {
	var names []string
	for i := range s.Instruments {
		one := &s.Instruments[i]
		names = append(names, one.Name)
		name, number, numbered := strings.Cut(v.Text, ".")
		if one.Name != v.Text && (one.Name != name || !numbered) {
			continue
		}
		in.Instrument = one.Name
		if one.Name != v.Text {
			in.Channel, _ = strconv.Atoi(number)
		}
		if in.Channel < 1 || in.Channel > len(one.Channels) {
			r.found.Add(v.Place, "%s has no channel %s", one.Name, number)
		}
		if wants, ok := sufferers()[in.Kind]; ok && !slices.Contains(wants, one.Kind) {
			r.found.Add(v.Place, "%s cannot have the fault %s", one.Name, in.Kind)
		}
		return
	}
	r.found.AddHint(v.Place, diag.Suggest(v.Text, names), "there is no instrument %q", v.Text)
}

// sufferers names the kinds of instrument that an incident can happen to, where not all are.
func sufferers() map[string][]instrument.Kind {
	return map[string][]instrument.Kind{
		OverVoltage:  {instrument.Source, instrument.Unit, instrument.Load},
		FrontPanel:   {instrument.Source, instrument.Unit, instrument.Load},
		CurrentLimit: {instrument.Source, instrument.Unit},
		Unregulated:  {instrument.Load},
		DropBlocks:   {instrument.Unit},
		RecordingGap: {instrument.Unit},
		SilentGap:    {instrument.Unit},
	}
}

// oneMoment refuses two moments, and words without the instrument that hears them.
func (r *reader) oneMoment(n *diag.Node, in Incident) {
	stated := 0
	for _, key := range []string{"at", "message", "heard"} {
		v := n.Get(key)
		if v == nil {
			continue
		}
		if stated++; stated > 1 {
			r.found.Add(v.Place, "one moment is enough: at, message or heard")
		}
		if in.Kind == LatchUp && key != "at" && n.Get("heard_by") == nil {
			r.found.Add(v.Place, "a device hears no messages: say at, above, or heard_by")
		}
	}
	if v := n.Get("nth"); v != nil && in.Heard == "" {
		r.found.Add(v.Place, "nth counts messages with the words of \"heard\", which is missing")
	}
	if v := n.Get("heard"); v != nil && in.Heard == "" {
		r.found.Add(v.Place, "no words: every message has those")
	}
	if in.Kind == OtherIdentity && strings.Count(in.Identity, ",") != 3 {
		r.found.Add(n.Get("identity").Place, "an identity has four fields with commas between")
	}
	if in.Kind == FrontPanel && n.Get("volts") == nil && n.Get("amps") == nil && n.Get("output") == nil {
		r.found.Add(n.Place, "what is changed at the front panel: volts, amps or output")
	}
}
