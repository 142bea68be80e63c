package model

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"fourwire/quantity"
)

// slotDims says what a slot's number is; ch and cycles have no unit.
func slotDim(name string) (dim quantity.Dimension, hasUnit, known bool) {
	switch name {
	case "volts":
		return quantity.Voltage, true, true
	case "amps":
		return quantity.Current, true, true
	case "ohms":
		return quantity.Resistance, true, true
	case "watts":
		return quantity.Power, true, true
	case "aperture", "seconds":
		return quantity.Time, true, true
	case "range", "values":
		return quantity.Ratio, true, true // in the unit of the verb; see scaleOf
	case "ch", "cycles", "most", "least", "count", "offset", "line":
		return quantity.Ratio, false, true
	}
	return quantity.Ratio, false, false
}

// parseTemplate reads ":SOUR{ch}:VOLT {volts}". A slot is a name, then a form (NR1, NR2.3, NR3.4), then a unit, the latter two left out
// mostly: {volts NR1 mV}. Braces that are meant as such are doubled. rangeDim is what a {range} counts.
func parseTemplate(text string, rangeDim quantity.Dimension) (Template, error) {
	var t Template
	var literal strings.Builder
	flush := func() {
		if literal.Len() > 0 {
			t.Pieces = append(t.Pieces, Piece{Text: literal.String()})
			literal.Reset()
		}
	}
	for i := 0; i < len(text); i++ {
		switch c := text[i]; {
		case c < ' ' || c == 0x7f:
			return t, fmt.Errorf("a control character cannot be sent; the end of a message is added by itself")
		case (c == '{' || c == '}') && i+1 < len(text) && text[i+1] == c:
			literal.WriteByte(c)
			i++
		case c == '}':
			return t, fmt.Errorf("a } without its {; a brace that is to be sent is doubled")
		case c == '{':
			length := strings.IndexByte(text[i:], '}')
			if length < 0 {
				return t, fmt.Errorf("a { without its }; a brace that is to be sent is doubled")
			}
			s, err := parseSlot(text[i+1:i+length], rangeDim)
			if err != nil {
				return t, err
			}
			flush()
			t.Pieces = append(t.Pieces, Piece{Slot: &s})
			i += length
		default:
			literal.WriteByte(c)
		}
	}
	flush()
	if len(t.Pieces) == 0 {
		return t, fmt.Errorf("an empty message cannot be sent")
	}
	return t, nil
}

func parseSlot(text string, rangeDim quantity.Dimension) (Slot, error) {
	words := strings.Fields(text)
	if len(words) == 0 {
		return Slot{}, fmt.Errorf("{%s} has no name", text)
	}
	s := Slot{Name: words[0], Scale: 1}
	dim, hasUnit, known := slotDim(s.Name)
	if !known {
		return Slot{}, fmt.Errorf("{%s} is none of volts, amps, ohms, watts, range, aperture, cycles, seconds, most, least, values, count, offset, line, ch", s.Name)
	}
	if s.Name == "range" || s.Name == "values" {
		dim = rangeDim
	}
	words = words[1:]
	if len(words) > 0 && strings.HasPrefix(words[0], "NR") {
		var err error
		if s.Form, s.Digits, err = parseForm(words[0]); err != nil {
			return Slot{}, err
		}
		words = words[1:]
	}
	if len(words) > 0 && hasUnit {
		scale, err := scaleOf(words[0], dim)
		if err != nil {
			return Slot{}, err
		}
		s.Scale, words = scale, words[1:]
	}
	if len(words) > 0 {
		return Slot{}, fmt.Errorf("{%s}: %q is neither a form such as NR2.3 nor a unit", text, words[0])
	}
	return s, nil
}

// parseForm reads NRf, NR1, NR2.3 or NR3.4.
func parseForm(text string) (form string, digits int, err error) {
	form, after, hasDigits := strings.Cut(text, ".")
	if hasDigits {
		digits, err = strconv.Atoi(after)
	}
	if err != nil || digits < 0 || digits > 15 || (hasDigits && form == "NR1") {
		return "", 0, fmt.Errorf("%q: behind the point stands the number of digits, as in NR2.3", text)
	}
	switch form {
	case "NRf", "NR1":
	case "NR2", "NR3":
		if !hasDigits {
			return "", 0, fmt.Errorf("%q needs its number of digits, as in %s.3", text, text)
		}
	default:
		return "", 0, fmt.Errorf("%q is none of the forms NRf, NR1, NR2.3, NR3.4", text)
	}
	return form, digits, nil
}

// scaleOf gives what one of a unit is in SI.
func scaleOf(unit string, dim quantity.Dimension) (float64, error) {
	q, err := quantity.ParseAs("1 "+unit, dim)
	if err != nil {
		return 0, fmt.Errorf("%q is no unit of %s", unit, dim.Name())
	}
	return q.SI, nil
}

// parseField reads "number", "number in mV", "whole", "truth", "word", "text", "singles", "singles swapped" or "skip".
func parseField(name, text string, dim quantity.Dimension) (Field, error) {
	f := Field{Name: name, Scale: 1}
	form, unit, hasUnit := strings.Cut(text, " in ")
	f.Form = form
	switch {
	case form == "number" && hasUnit:
		scale, err := scaleOf(unit, dim)
		f.Scale = scale
		return f, err
	case form == "number" || form == "whole" || form == "truth" || form == "word" || form == "text" || form == "skip",
		form == "singles", form == "singles swapped":
		if !hasUnit {
			return f, nil
		}
	}
	return f, fmt.Errorf("%q is none of number, number in UNIT, whole, truth, word, text, singles, singles swapped, skip", text)
}

var conditionForm = regexp.MustCompile(`^([A-Za-z][A-Za-z0-9_]*)\s*(?:&\s*([0-9]+|0x[0-9A-Fa-f]+))?\s*(?:(=|!=)\s*(\S.*))?$`)

// parseMeaning reads "quest & 3 = 2", "mode = CURR", "on", each a condition; " and " joins them. A field alone, or a mask alone, means
// "not 0".
func parseMeaning(state, text string) (Meaning, error) {
	m := Meaning{State: state}
	for part := range strings.SplitSeq(text, " and ") {
		found := conditionForm.FindStringSubmatch(strings.TrimSpace(part))
		if found == nil {
			return m, fmt.Errorf("%q is no condition; write as in \"quest & 3 = 2\" or \"mode = CURR\"", strings.TrimSpace(part))
		}
		c := Condition{Field: found[1], Not: found[3] != "="}
		if found[2] != "" {
			mask, err := strconv.ParseUint(found[2], 0, 62)
			if err != nil || mask == 0 {
				return m, fmt.Errorf("%q: %s is no mask of bits", strings.TrimSpace(part), found[2])
			}
			c.Mask = mask
		}
		if found[3] != "" {
			value := strings.Trim(strings.TrimSpace(found[4]), `"'`)
			n, err := strconv.ParseInt(value, 0, 62)
			if c.Number = n; err != nil {
				if c.Mask != 0 {
					return m, fmt.Errorf("%q: bits are compared with a number, not with %q", strings.TrimSpace(part), value)
				}
				c.Word = value
			}
		}
		m.All = append(m.All, c)
	}
	return m, nil
}
