package driver

import (
	"fmt"

	"fourwire/driver/ieee488"
	"fourwire/driver/model"
	"fourwire/driver/scpi"
)

// answer is an answer taken apart by its query. It stands until the next question.
type answer struct {
	query  model.Query
	fields []field
}

// field is one element of an answer.
type field struct {
	text   []byte
	number scpi.Number
	whole  int64 // for whole and truth
	isInt  bool
}

// read takes an answer apart and reads its fields.
func (in *Instrument) read(q model.Query, raw []byte) (answer, error) {
	parts, err := in.cut(q, raw)
	if err != nil {
		return answer{}, err
	}
	return in.fill(q, raw, parts)
}

// fill reads the fields of an answer from its elements; raw is the whole of it, for messages.
func (in *Instrument) fill(q model.Query, raw []byte, parts [][]byte) (a answer, err error) {
	a = answer{query: q, fields: make([]field, len(parts))}
	for i, p := range parts {
		f, spec := &a.fields[i], q.Fields[i]
		f.text = p
		switch spec.Form {
		case "number":
			f.number, err = scpi.ParseNumber(p, nil)
			f.number.X *= spec.Scale
		case "whole":
			f.whole, err = scpi.ParseWhole(p)
			f.isInt = true
		case "truth":
			var on bool
			on, err = scpi.ParseBool(p)
			f.isInt = true
			if on {
				f.whole = 1
			}
		case "word":
			f.text = []byte(scpi.ParseString(p))
		}
		if err != nil {
			return answer{}, fmt.Errorf("the answer %q: %s: %w", shown(raw), spec.Name, err)
		}
	}
	return a, nil
}

// cut gives one element for each field.
func (in *Instrument) cut(q model.Query, raw []byte) ([][]byte, error) {
	if q.Match != nil {
		found := q.Match.FindSubmatch(raw)
		if found == nil {
			return nil, fmt.Errorf("the answer %q does not match %q", shown(raw), q.Match)
		}
		out := in.elements[:0]
		for _, f := range q.Fields {
			out = append(out, found[q.Match.SubexpIndex(f.Name)])
		}
		in.elements = out
		return out, nil
	}
	if len(q.Fields) == 1 && q.Fields[0].Form == "text" {
		in.elements = append(in.elements[:0], raw)
		return in.elements, nil
	}
	parts, err := scpi.Split(raw, in.elements)
	in.elements = parts
	if err != nil {
		return nil, err
	}
	if len(parts) != len(q.Fields) {
		hint := ""
		if len(q.Fields) == 1 {
			hint = " (or a decimal comma)"
		}
		return nil, fmt.Errorf("the answer %q has %d elements%s, %d are wanted: %w", shown(raw), len(parts), hint, len(q.Fields), scpi.ErrFields)
	}
	return parts, nil
}

// shown is an answer for a message, shortened.
func shown(raw []byte) []byte { return raw[:min(len(raw), 80)] }

// number is the number of an answer that has one.
func (a answer) number() (scpi.Number, error) {
	for i, f := range a.query.Fields {
		switch f.Form {
		case "number":
			return a.fields[i].number, nil
		case "whole":
			return scpi.Number{X: float64(a.fields[i].whole) * f.Scale}, nil
		}
	}
	return scpi.Number{}, fmt.Errorf("the answer has no number")
}

// states are the meanings that hold.
func (a answer) states() []string {
	var out []string
	for _, m := range a.query.Means {
		if m.Holds(a.lookUp) {
			out = append(out, m.State)
		}
	}
	return out
}

func (a answer) lookUp(name string) (text string, number int64, isNumber bool) {
	for i, f := range a.query.Fields {
		if f.Name == name {
			return string(a.fields[i].text), a.fields[i].whole, a.fields[i].isInt
		}
	}
	return "", 0, false
}

// named is the text of a field of that name.
func (a answer) named(name string) (string, bool) {
	for i, f := range a.query.Fields {
		if f.Name == name {
			return scpi.ParseString(a.fields[i].text), true
		}
	}
	return "", false
}

// isOn reads a truth: by its meaning where there is one, else the value.
func (a answer) isOn(state string) bool {
	if len(a.query.Means) > 0 {
		for _, s := range a.states() {
			if s == state {
				return true
			}
		}
		return false
	}
	for _, f := range a.fields {
		if f.isInt {
			return f.whole != 0
		}
	}
	return false
}

// readEntry reads an entry of an error queue that is not written as the standard has it.
func (in *Instrument) readEntry(q model.Query, raw []byte) (ieee488.Entry, error) {
	a, err := in.read(q, raw)
	if err != nil {
		return ieee488.Entry{}, err
	}
	for _, s := range a.states() {
		if s == "none" {
			return ieee488.Entry{}, nil
		}
	}
	e := ieee488.Entry{Number: 1} // an entry without a number of its own
	for i, f := range q.Fields {
		switch {
		case f.Name == "number" && a.fields[i].isInt:
			e.Number = int(a.fields[i].whole)
		case f.Name == "text":
			e.Text = scpi.ParseString(a.fields[i].text)
		case len(q.Fields) == 1:
			e.Text = scpi.ParseString(a.fields[i].text)
		}
	}
	return e, nil
}

// readIdentity reads the identity: by the names of its fields where the model names them, else as the standard has it.
func (in *Instrument) readIdentity(raw []byte) (Identity, error) {
	q := in.model.Dialect.Ask["identity"]
	if q.Match == nil && len(q.Fields) == 1 {
		return ieee488.ParseIdentity(raw), nil
	}
	a, err := in.read(q, raw)
	if err != nil {
		return Identity{}, err
	}
	var id Identity
	id.Maker, _ = a.named("maker")
	id.Model, _ = a.named("model")
	id.Serial, _ = a.named("serial")
	id.Firmware, _ = a.named("firmware")
	return id, nil
}
