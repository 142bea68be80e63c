package model

import (
	"regexp"
	"slices"
	"strings"
)

// Dialect is how an instrument is spoken to. A verb that is absent is an ability that the instrument does not have.
type Dialect struct {
	Say map[string][]Template // commands by verb
	Ask map[string]Query      // queries by verb
}

// Template is a message with places for numbers.
type Template struct{ Pieces []Piece }

// Piece is literal text, or a slot.
type Piece struct {
	Text string
	Slot *Slot // nil: the text
}

// Slot is a place for a number.
type Slot struct {
	Name   string  // volts, amps, ohms, watts, range, aperture, cycles, seconds, most, least, values, count, offset, line or ch
	Form   string  // NRf (also where empty), NR1, NR2 or NR3
	Digits int     // behind the point for NR2 and NR3; significant ones for NRf, 0 being as many as it takes
	Scale  float64 // what one of the written number stands for, in SI: 1e-3 for millivolts
}

// Query is a question and how to read its answer.
type Query struct {
	Send   []Template
	Fields []Field        // in the order of the answer
	Match  *regexp.Regexp // cuts the fields out by name; nil: they stand between commas and semicolons
	Means  []Meaning      // what the fields say, in the file's order
}

// Field is one element of an answer.
type Field struct {
	Name  string
	Form  string  // number, whole, truth, word, text, singles, singles swapped or skip
	Scale float64 // of a number, in SI
}

// Meaning is a state that holds when all its conditions do.
type Meaning struct {
	State string
	All   []Condition
}

// Condition compares one field. With a mask the field is a register: its masked bits are compared, with "not 0" where no value is given.
type Condition struct {
	Field  string
	Mask   uint64 // 0: the field as a whole
	Not    bool   // the comparison must fail
	Number int64
	Word   string // compared without regard to case; empty: Number counts
}

// verb says what a word of the dialect may hold.
type verb struct {
	name  string
	about string
	slots []string // besides ch; the first one must be there
	form  string   // of a query's answer where the file does not say; empty: the file must say
	state []string // the states that a query may give a meaning
}

// sayVerbs is the table of commands.
func sayVerbs() []verb {
	return []verb{
		{name: "remote", about: "take the instrument over from its front panel"},
		{name: "local", about: "give it back"},
		{name: "reset", about: "bring all settings to their start"},
		{name: "clear", about: "empty the error queue and the event registers"},
		{name: "mark end", about: "set operation complete in the event register when everything pending has ended"},
		{name: "set volts", about: "set a source's voltage", slots: []string{"volts"}},
		{name: "set amps", about: "set a source's current limit", slots: []string{"amps"}},
		{name: "force amps", about: "make a source force a current, of either sign", slots: []string{"amps"}},
		{name: "limit volts", about: "set the voltage compliance of a source that forces amps", slots: []string{"volts"}},
		{name: "set ohms", about: "set a source's output resistance", slots: []string{"ohms"}},
		{name: "protect volts", about: "set and activate over-voltage protection", slots: []string{"volts"}},
		{name: "protect amps", about: "set and activate over-current protection", slots: []string{"amps"}},
		{name: "clear protection", about: "release a tripped protection"},
		{name: "sense remote", about: "sense the voltage at the sense terminals"},
		{name: "sense local", about: "sense the voltage at the output or input"},
		{name: "switch on", about: "switch the output or input on"},
		{name: "switch off", about: "switch the output or input off"},
		{name: "mode amps", about: "make a load hold its current"},
		{name: "mode volts", about: "make a load hold its voltage"},
		{name: "mode ohms", about: "make a load hold its resistance"},
		{name: "mode watts", about: "make a load hold its power"},
		{name: "hold amps", about: "set a load's current", slots: []string{"amps"}},
		{name: "hold volts", about: "set a load's voltage", slots: []string{"volts"}},
		{name: "hold ohms", about: "set a load's resistance", slots: []string{"ohms"}},
		{name: "hold watts", about: "set a load's power", slots: []string{"watts"}},
		{name: "level range", about: "choose the range of a load's current", slots: []string{"range"}},
		{name: "short on", about: "make a load a short circuit, as near as it gets, in place of what it holds"},
		{name: "short off", about: "have it hold again what it held"},
		{name: "function volts", about: "make a meter measure volts"},
		{name: "function amps", about: "make a meter measure amps"},
		{name: "range volts", about: "choose the measuring range", slots: []string{"range"}},
		{name: "range amps", about: "choose the measuring range", slots: []string{"range"}},
		{name: "aperture volts", about: "set how long a reading integrates, in seconds or in cycles of the mains", slots: []string{"aperture", "cycles"}},
		{name: "aperture amps", about: "the same for amps", slots: []string{"aperture", "cycles"}},
		{name: "start", about: "begin a reading, whose value is asked for later"},
		{name: "abort", about: "stop whatever runs: a reading, a recording, a capture, a list, which goes to its fixed value"},
		{name: "record amps", about: "have a recording take amps alone, and answer as record data reads it"},
		{name: "record volts", about: "have a recording take volts alone"},
		{name: "record both", about: "have a recording take amps and volts, amps first"},
		{name: "record interval", about: "set the interval between samples of a recording", slots: []string{"seconds"}},
		{name: "record top", about: "set the largest current that a recording's hand-over of ranges may reach", slots: []string{"amps"}},
		{name: "record start", about: "begin a recording with its sample 0"},
		{name: "record stop", about: "stop a recording; what is in the buffer stays"},
		{name: "capture amps", about: "have captures take amps alone, and answer as fetch amps reads it"},
		{name: "capture volts", about: "have captures take volts alone"},
		{name: "capture both", about: "have captures take amps and volts"},
		{name: "capture interval", about: "set the interval between samples of a capture", slots: []string{"seconds"}},
		{name: "capture points", about: "set the samples of each trigger", slots: []string{"count"}},
		{name: "capture before", about: "set how many of them lie before the trigger", slots: []string{"count", "offset"}},
		{name: "capture count", about: "set how many triggers a capture takes", slots: []string{"count"}},
		{name: "capture delay", about: "set the time from a trigger to its first sample", slots: []string{"seconds"}},
		{name: "wait for at once", about: "have captures begin as soon as they are armed"},
		{name: "wait for software", about: "have captures wait for the command of \"trigger\""},
		{name: "wait for volts", about: "have captures wait until the volts cross a level", slots: []string{"volts"}},
		{name: "wait for amps", about: "have captures wait until the amps cross a level", slots: []string{"amps"}},
		{name: "wait for output", about: "have captures wait until the output or input goes on"},
		{name: "wait for line", about: "have captures wait for a pulse on a trigger line", slots: []string{"line"}},
		{name: "slope rising", about: "a level is crossed upwards"},
		{name: "slope falling", about: "a level is crossed downwards"},
		{name: "slope either", about: "a level is crossed either way"},
		{name: "hysteresis volts", about: "set how far behind the level the volts must have been", slots: []string{"volts"}},
		{name: "hysteresis amps", about: "set how far behind the level the amps must have been", slots: []string{"amps"}},
		{name: "arm", about: "have a capture begin, or wait for its trigger"},
		{name: "trigger", about: "trigger a capture that waits for software"},
		{name: "list volts", about: "set the voltages of a list, and have the voltage follow it", slots: []string{"values"}},
		{name: "list amps", about: "set the currents of a list, and have the current or its limit follow it", slots: []string{"values"}},
		{name: "list dwell", about: "set how long each step lasts: one time for all, or one each", slots: []string{"values"}},
		{name: "list timed", about: "have one trigger start the whole list"},
		{name: "list stepped", about: "have each trigger make one step"},
		{name: "list at once", about: "have the list begin as soon as it is started"},
		{name: "list software", about: "have the list wait for the command of \"list trigger\""},
		{name: "list line", about: "have the list wait for a pulse on a trigger line", slots: []string{"line"}},
		{name: "list start", about: "have a list begin, or wait for its trigger"},
		{name: "list trigger", about: "trigger a list that waits for software"},
		{name: "fixed volts", about: "have the voltage follow its fixed value again"},
		{name: "fixed amps", about: "have the current or its limit follow its fixed value again"},
		{name: "pulse at steps", about: "have a trigger line pulse at each step of a list", slots: []string{"line"}},
		{name: "pulse at capture", about: "have a trigger line pulse when a capture is triggered", slots: []string{"line"}},
		{name: "pulse at output", about: "have a trigger line pulse when the output goes on", slots: []string{"line"}},
		{name: "pulse never", about: "have a trigger line pulse no more", slots: []string{"line"}},
		{name: "arm watchdog", about: "switch the outputs off by itself when no message comes for so long", slots: []string{"seconds"}},
		{name: "feed watchdog", about: "tell an armed watchdog that the controller lives; left out: any message does"},
		{name: "disarm watchdog", about: "do not watch any more"},
	}
}

// askVerbs is the table of queries.
func askVerbs() []verb {
	trips := []string{"over-voltage", "over-current", "over-power", "over-temperature", "reverse-voltage"}
	modes := []string{"CV", "CC", "CR", "CP"}
	return []verb{
		{name: "identity", about: "who it is: maker, model, serial number, firmware between commas", form: "text"},
		{name: "error", about: "the oldest entry of the error queue; fields number and text where the answer is not that of the standard", form: "text", state: []string{"none"}},
		{name: "events", about: "the standard event register", form: "whole"},
		{name: "end", about: "1 when everything pending has ended", form: "whole"},
		{name: "set volts", about: "the voltage that is set", form: "number"},
		{name: "set amps", about: "the current limit that is set", form: "number"},
		{name: "force amps", about: "the current that is forced", form: "number"},
		{name: "limit volts", about: "the voltage compliance that is set", form: "number"},
		{name: "set ohms", about: "the output resistance that is set", form: "number"},
		{name: "hold amps", about: "the current that a load is set to hold", form: "number"},
		{name: "hold volts", about: "the voltage that a load is set to hold", form: "number"},
		{name: "hold ohms", about: "the resistance that a load is set to hold", form: "number"},
		{name: "hold watts", about: "the power that a load is set to hold", form: "number"},
		{name: "protect volts", about: "the level of over-voltage protection", form: "number"},
		{name: "protect amps", about: "the level of over-current protection", form: "number"},
		{name: "switch", about: "whether the output or input is on", form: "truth", state: []string{"on"}},
		{name: "sense", about: "where the voltage is sensed", state: []string{"remote", "local"}},
		{name: "status", about: "what a source or load is doing", state: slices.Concat([]string{"on", "unregulated"}, modes, trips)},
		{name: "read volts", about: "a reading: the one that was started where there is a start, else a new one", form: "number"},
		{name: "read amps", about: "the same for amps", form: "number"},
		{name: "record interval", about: "the interval that a recording uses", form: "number"},
		{name: "record top", about: "the largest current that its hand-over of ranges may reach", form: "number"},
		{name: "record depth", about: "samples of each function that its buffer holds", form: "whole"},
		{name: "record data", about: "samples that wait, at most so many, held until so many are there; fields start, count, lost, runs and values", form: "text", slots: []string{"most", "least"}},
		{name: "record totals", about: "the instrument's own count of a recording; fields taken, lost, coulombs and handovers", form: "whole"},
		{name: "capture interval", about: "the interval that a capture uses", form: "number"},
		{name: "capture points", about: "the samples of each trigger that a capture takes", form: "whole"},
		{name: "capture before", about: "how many of them lie before the trigger, with or without a minus sign", form: "whole"},
		{name: "capture state", about: "whether a capture waits for a trigger, or takes samples", state: []string{"waiting", "taking"}},
		{name: "bandwidth", about: "bandwidth of the filter before the converter, in hertz", form: "number"},
		{name: "fetch volts", about: "the volts that were captured, as one block", form: "singles"},
		{name: "fetch amps", about: "the amps that were captured, as one block", form: "singles"},
		{name: "list state", about: "whether a list is under way, waiting for a trigger included", state: []string{"running"}},
		{name: "list depth", about: "most steps of a list", form: "whole"},
	}
}

// find gives the verb of that name.
func find(verbs []verb, name string) verb {
	for _, v := range verbs {
		if v.name == name {
			return v
		}
	}
	return verb{}
}

// TripStates are the states of a status query that mean a tripped protection.
func TripStates() []string {
	var out []string
	for _, s := range find(askVerbs(), "status").state {
		if strings.Contains(s, "-") {
			out = append(out, s)
		}
	}
	return out
}

// CanSay tells whether there are words for a command.
func (d Dialect) CanSay(name string) bool { return len(d.Say[name]) > 0 }

// CanAsk tells whether there is such a question.
func (d Dialect) CanAsk(name string) bool { return len(d.Ask[name].Send) > 0 }

// Append writes the template behind dst; fill writes the number of a slot.
func (t Template) Append(dst []byte, fill func(dst []byte, s Slot) ([]byte, error)) ([]byte, error) {
	for _, p := range t.Pieces {
		if p.Slot == nil {
			dst = append(dst, p.Text...)
			continue
		}
		var err error
		if dst, err = fill(dst, *p.Slot); err != nil {
			return dst, err
		}
	}
	return dst, nil
}

// String is the template as the file has it.
func (t Template) String() string {
	var b strings.Builder
	for _, p := range t.Pieces {
		if p.Slot != nil {
			b.WriteString("{" + p.Slot.Name + "}")
		} else {
			b.WriteString(p.Text)
		}
	}
	return b.String()
}

// Holds tells whether the meaning holds for an answer; field gives an element's text and, where it is a number, its value.
func (m Meaning) Holds(field func(name string) (text string, number int64, isNumber bool)) bool {
	for _, c := range m.All {
		text, number, isNumber := field(c.Field)
		if c.holds(text, number, isNumber) == c.Not {
			return false
		}
	}
	return true
}

func (c Condition) holds(text string, number int64, isNumber bool) bool {
	switch {
	case c.Word != "":
		return strings.EqualFold(strings.TrimSpace(text), c.Word)
	case !isNumber:
		return false
	case c.Mask != 0:
		return number&int64(c.Mask) == c.Number
	}
	return number == c.Number
}
