package scpi

import (
	"errors"
	"fmt"
	"math"
)

// Kind is what a parameter may be.
type Kind uint8

// The kinds of parameters, with the program data they take.
const (
	Number     Kind = iota // decimal numeric with the unit's suffixes, or #H #Q #B; MIN, MAX, DEF when there are Limits
	Integer                // the same, rounded to the nearest integer, no suffix
	Boolean                // ON, OFF, or a number: after rounding, nonzero is ON
	Keyword                // one of Keywords
	Text                   // a string in either quote
	Block                  // a definite or indefinite block
	Channels               // (@1,3:5)
	Ranges                 // (1,4:7)
	Expression             // anything in parentheses
)

// Param declares one parameter.
type Param struct {
	Kind Kind
	// Unit is the suffix unit of a Number, in capitals as SCPI writes it: V, A, OHM, HZ, S, W, VA, AH, A/S. A bare number
	// is in this unit, and the handler gets this unit. "" refuses every suffix (-138); "1" is a ratio, which takes a bare
	// multiplier (28000m).
	Unit string
	// Limits gives the range of a Number or Integer, when the command runs; it may look at the suffixes and at earlier
	// arguments. A value outside is -222, or clipped under Quirks.Clip. nil: no limits, and MIN, MAX and DEF are refused.
	Limits func(*Call) Limits
	// Keywords are the words of a Keyword, short form in capitals; a Number, Integer or Boolean takes them besides
	// numbers (INFinity, ONCE).
	Keywords []string
	Optional bool
	Repeat   bool // the last parameter only: one or more of it
}

// Limits are the range and default of a number, in the parameter's unit.
type Limits struct {
	Min, Max, Default float64
	Step              float64 // resolution: a value is rounded to the nearest multiple; 0 is none
}

// Within returns fixed limits for Param.Limits.
func Within(least, most, byDefault float64) func(*Call) Limits {
	l := Limits{Min: least, Max: most, Default: byDefault}
	return func(*Call) Limits { return l }
}

type param struct {
	Param
	suffixes map[string]scale
	keys     []keyword
}

func newParam(p Param) (param, error) {
	made := param{Param: p}
	if p.Unit != "" {
		if p.Kind != Number {
			return made, errors.New("only a Number has a Unit")
		}
		var err error
		if made.suffixes, err = unitSuffixes(p.Unit); err != nil {
			return made, err
		}
	}
	if p.Limits != nil && p.Kind != Number && p.Kind != Integer {
		return made, errors.New("only a Number or an Integer has Limits")
	}
	if p.Kind == Keyword && len(p.Keywords) == 0 {
		return made, errors.New("a Keyword parameter needs Keywords")
	}
	for _, text := range p.Keywords {
		k, err := parseKeyword(text)
		if err != nil {
			return made, err
		}
		made.keys = append(made.keys, k)
	}
	return made, nil
}

// value is one argument as the handler sees it.
type value struct {
	number float64
	text   []byte
	key    int
	ranges []Range
}

// Range is one element of a channel list or numeric list; a single number has From equal to To.
type Range struct{ From, To float64 }

// readArguments reads the data of a unit into the call's values.
func (c *Call) readArguments(f *form, data []byte) error {
	c.values = c.values[:0]
	c.reader.rest = data
	r := &c.reader
	r.skipSpace()
	if r.done() {
		if f.required > 0 {
			return MissingParameter
		}
		return nil
	}
	for i := 0; ; i++ {
		at := i
		if at >= len(f.params) {
			if !f.repeat {
				if f.limits != nil && i == 0 {
					return c.readExtreme(f, r)
				}
				if err := r.skipElement(); err != nil {
					return err
				}
				return ParameterNotAllowed
			}
			at = len(f.params) - 1
		}
		if i < cap(c.values) {
			c.values = c.values[:i+1]
		} else {
			c.values = append(c.values, value{})
		}
		if err := c.readOne(&f.params[at], r, &c.values[i]); err != nil {
			return err
		}
		r.skipSpace()
		if r.done() {
			break
		}
		if r.rest[0] != ',' {
			return r.junk()
		}
		r.rest = r.rest[1:]
		r.skipSpace()
	}
	if len(c.values) < f.required {
		return MissingParameter
	}
	return nil
}

// readExtreme reads the MIN, MAX or DEF of a query.
func (c *Call) readExtreme(f *form, r *reader) error {
	if r.kind() != characterData {
		return ParameterNotAllowed
	}
	word, err := r.character()
	if err != nil {
		return err
	}
	v, ok := extreme(word, f.limits.Limits(c))
	if !ok {
		return InvalidCharacterData
	}
	r.skipSpace()
	if !r.done() {
		if r.rest[0] == ',' {
			return ParameterNotAllowed
		}
		return r.junk()
	}
	c.extreme, c.hasExtreme = v, true
	return nil
}

// extreme returns the limit that a word stands for.
func extreme(word []byte, l Limits) (float64, bool) {
	switch {
	case equalFold(word, "MIN"), equalFold(word, "MINIMUM"):
		return l.Min, true
	case equalFold(word, "MAX"), equalFold(word, "MAXIMUM"):
		return l.Max, true
	case equalFold(word, "DEF"), equalFold(word, "DEFAULT"):
		return l.Default, true
	}
	return 0, false
}

// readOne reads one data element as the parameter wants it.
func (c *Call) readOne(p *param, r *reader, v *value) (err error) {
	v.number, v.key = 0, -1
	if v.text != nil || v.ranges != nil {
		v.text, v.ranges = nil, nil
	}
	kind := r.kind()
	switch kind {
	case numericData, nonDecimalData:
		if p.Kind > Boolean {
			return refuse(r, NumericDataNotAllowed)
		}
		if kind == numericData {
			v.number, err = r.number(p)
		} else {
			v.number, err = r.nonDecimal()
		}
		if err != nil {
			return err
		}
		return c.fit(p, v)
	case characterData:
		return c.readWord(p, r, v)
	case stringData:
		if p.Kind != Text {
			return refuse(r, StringDataNotAllowed)
		}
		v.text, err = r.text()
	case blockData:
		if p.Kind != Block {
			return refuse(r, BlockDataNotAllowed)
		}
		v.text, err = r.block()
	case expressionData:
		if p.Kind < Channels {
			return refuse(r, ExpressionDataNotAllowed)
		}
		if v.text, err = r.expression(); err == nil && p.Kind != Expression {
			v.ranges, err = c.readList(v.text, p.Kind == Channels)
		}
	case noData:
		return SyntaxError
	default:
		return InvalidCharacter
	}
	return err
}

// readWord reads character data: a keyword, ON and OFF, or MIN, MAX and DEF.
func (c *Call) readWord(p *param, r *reader, v *value) error {
	word, err := r.character()
	if err != nil {
		return err
	}
	v.text = word
	if p.Kind == Boolean {
		switch {
		case equalFold(word, "ON"):
			v.number = 1
			return nil
		case equalFold(word, "OFF"):
			return nil
		}
	}
	for i, k := range p.keys {
		if k.matches(word) {
			v.key = i
			return nil
		}
	}
	if p.Limits != nil {
		if number, ok := extreme(word, p.Limits(c)); ok {
			v.number = number
			return nil
		}
	}
	if p.Kind == Boolean || p.Limits != nil || len(p.keys) > 0 {
		return InvalidCharacterData
	}
	return CharacterDataNotAllowed
}

// fit rounds a number to what the parameter can hold and checks its limits.
func (c *Call) fit(p *param, v *value) error {
	switch p.Kind {
	case Boolean:
		if math.RoundToEven(v.number) != 0 {
			v.number = 1
		} else {
			v.number = 0
		}
		return nil
	case Integer:
		v.number = math.Round(v.number)
	}
	if p.Limits == nil {
		if math.IsInf(v.number, 0) || p.Kind == Integer && math.Abs(v.number) > 1<<53 {
			return DataOutOfRange
		}
		return nil
	}
	l := p.Limits(c)
	if l.Step > 0 {
		if steps := math.Round(v.number / l.Step); math.Abs(steps) < 1<<53 {
			v.number = steps * l.Step
		}
	}
	if v.number < l.Min || v.number > l.Max {
		if !c.session.device.options.Quirks.Clip {
			return DataOutOfRange.detailed(c, func() string { return fmt.Sprintf("%g", v.number) })
		}
		v.number = min(max(v.number, l.Min), l.Max)
	}
	return nil
}

// refuse reads the element for its own faults first, then says that its type is not wanted.
func refuse(r *reader, because Code) error {
	if err := r.skipElement(); err != nil {
		return err
	}
	return because
}

// detailed adds a detail when the instrument wants details.
func (c Code) detailed(call *Call, detail func() string) error {
	if !call.session.device.options.Details {
		return c
	}
	return c.With(detail())
}
