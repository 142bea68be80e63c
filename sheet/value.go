package sheet

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"unicode"

	"fourwire/quantity"
)

// Default is the word for the sequence's own value.
const Default = "default"

// blanks are what may stand around a value and counts for nothing: spaces of several kinds.
const blanks = " \t\u00a0\u2007\u2009\u202f"

var blank = strings.NewReplacer("\t", " ", "\u00a0", " ", "\u2007", " ", "\u2009", " ", "\u202f", " ")

// tidy makes every kind of space an ordinary one and takes those around the text away.
func tidy(text string) string { return strings.Trim(blank.Replace(text), " ") }

// complaint is what is wrong with a cell, and what to write instead.
type complaint struct{ text, hint string }

func complain(hint, format string, args ...any) *complaint {
	return &complaint{fmt.Sprintf(format, args...), hint}
}

// column is what is known of a column while its cells are read.
type column struct {
	Named
	example string // a value as it may stand in a cell of it
}

func newColumn(p Param, at int, unit string) column {
	c := column{Named: Named{p, at, unit}}
	if c.example = strings.TrimSpace("1 " + p.Dim.Unit()); unit != "" {
		c.example = "1"
	}
	return c
}

// value reads a cell of a parameter's column.
func (c column) value(x cell) (Value, *complaint) {
	switch x.kind {
	case empty:
		return Value{}, complain(fmt.Sprintf("write a value, as in %s, or %q for the sequence's own", c.example, Default), "the cell is empty")
	case number:
		return c.number(x)
	case text:
		return c.text(x)
	}
	return Value{}, x.unfit("a value, as in " + c.example)
}

// unfit says what is wrong with a cell of a kind that no column takes; nil for one that some do.
func (x cell) unfit(instead string) *complaint {
	switch x.kind {
	case truth:
		return complain("write "+instead, "the cell is the truth value %s", map[bool]string{true: "TRUE", false: "FALSE"}[x.text == "TRUE"])
	case broken:
		return complain("mend the formula, or write "+instead, "the cell shows the error %s", x.text)
	case date:
		return complain("write "+instead+", into a cell that is not formatted as a date", "the cell is a date or time, %s", x.shown)
	case percent:
		return complain("write "+instead+", into a cell that is formatted as a plain number", "the cell is shown in percent, as %s", x.shown)
	case uncounted, void:
		return complain("open the file in a spreadsheet and save it, or write "+instead, "the cell has a formula whose value is not in the file")
	case garbled:
		return complain(`save the file as "CSV UTF-8"`, "the cell has bytes that are no UTF-8: %q", x.text)
	}
	return nil
}

// number reads a cell that is a number to the spreadsheet.
func (c column) number(x cell) (Value, *complaint) {
	n, err := strconv.ParseFloat(x.text, 64)
	if err != nil {
		return Value{}, complain("write "+c.example, "%q is no number", x.text)
	}
	digits := strconv.FormatFloat(n, 'g', 15, 64) // as many as a spreadsheet shows
	unit := c.Unit
	if x.suffix != "" && x.suffix != unit {
		return Value{}, complain(fmt.Sprintf("format it as a plain number, and put the unit into the header: %s [%s]", c.Name, c.Dim.Unit()),
			"the cell shows %s, but holds the number %s: what stands behind it is only its format", x.shown, digits)
	}
	if unit == "" && c.Dim != quantity.Ratio {
		return Value{}, complain(fmt.Sprintf("write %s %s, or put the unit into the header: %s [%s]", digits, c.Dim.Unit(), c.Name, c.Dim.Unit()), "the number %s has no unit", digits)
	}
	return c.single(digits, strings.TrimSpace(digits+" "+unit))
}

func (c column) single(shown, setting string) (Value, *complaint) {
	q, err := quantity.ParseAs(setting, c.Dim)
	if err != nil {
		return Value{}, complain("write a value, as in "+c.example, "%s", err)
	}
	return Value{Name: c.Name, Setting: setting, Amount: q, List: []quantity.Quantity{q}, Single: true, Column: c.Column}, nil
}

var (
	grouped  = regexp.MustCompile(`^[+-]?\d{1,3}([, ']\d{3})+(\.\d+)?\s*[^\d\s,;.]*$`)
	commaed  = regexp.MustCompile(`^([+-]?\d+),(\d+)(\s*[^\d\s,;.]*)$`)
	repeated = regexp.MustCompile(`^(.*?\.\..*?),\s*(?:(\d+)\s+points?(?:,?\s+(log))?|step\s+(.+))$`)
	digits   = regexp.MustCompile(`\d`)
)

// text reads a cell that is a text.
func (c column) text(x cell) (Value, *complaint) {
	text := tidy(x.text)
	if i := strings.IndexFunc(text, func(r rune) bool {
		return unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r == 0x2028 || r == 0x2029
	}); i >= 0 {
		return Value{}, complain("write it anew, as in "+c.example, "the text has an invisible character or a line end in it: %+q", text)
	}
	switch {
	case strings.EqualFold(text, Default):
		return Value{Column: c.Column}, nil
	case strings.HasPrefix(text, "#"): // as in #N/A, which a CSV file holds as text
		return Value{}, complain("mend the formula that it came from, or write "+c.example, "the cell shows the error %s", text)
	case strings.HasPrefix(text, "="):
		return Value{}, complain("write its value, as in "+c.example, "%q is the text of a formula", text)
	case !digits.MatchString(text):
		return Value{}, complain("write a value, as in "+c.example, "%q is text, and a number is wanted here", text)
	case strings.HasPrefix(text, "{"):
		return Value{Name: c.Name, Setting: text, Column: c.Column}, nil
	case strings.HasPrefix(text, "["):
		inner, closed := strings.CutSuffix(strings.TrimPrefix(text, "["), "]")
		if !closed {
			return Value{}, complain("write as in [9 V, 12 V]", "%q: a closing bracket is missing", text)
		}
		return c.list(text, strings.FieldsFunc(inner, separates))
	case strings.Contains(text, ".."):
		return c.span(text)
	case grouped.MatchString(text):
		head, unit := cut(text, "0123456789, '+-.")
		head = strings.NewReplacer(",", "", " ", "", "'", "").Replace(head)
		return Value{}, complain("write "+strings.TrimSpace(head+" "+unit), "%q: a number is written without marks between its digits, and with a point", text)
	case commaed.MatchString(text):
		return Value{}, complain("write "+commaed.ReplaceAllString(text, "$1.$2$3"), "%q: a number is written with a point, not with a comma", text)
	case strings.ContainsAny(text, ",;"):
		return c.list(text, strings.FieldsFunc(text, separates))
	}
	return c.one(text, x.typed)
}

func separates(r rune) bool { return r == ',' || r == ';' }

// cut divides a text behind the characters of set that it begins with.
func cut(text, set string) (head, rest string) {
	rest = strings.TrimLeft(text, set)
	return text[:len(text)-len(rest)], strings.TrimSpace(rest)
}

// one reads one value of a text. A number without a unit takes that of the header where bare allows it.
func (c column) one(text string, bare bool) (Value, *complaint) {
	text = strings.TrimSpace(text)
	if strings.ContainsRune(text, '\u2212') {
		return Value{}, complain("write "+strings.ReplaceAll(text, "\u2212", "-"), "%q: the minus is written as a hyphen", text)
	}
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		switch {
		case c.Unit != "" && !bare:
			return Value{}, complain(fmt.Sprintf("type it anew as a number, without an apostrophe, or write %s %s", text, c.Unit), "%q is text, not a number", text)
		case c.Unit != "":
			return c.single(text, text+" "+c.Unit)
		}
	}
	v, wrong := c.single(text, text)
	if wrong != nil {
		wrong.hint = "write " + c.instead(text)
	}
	return v, wrong
}

// instead is what somebody may have meant: the number of a text with the unit of the column.
func (c column) instead(text string) string {
	n, rest := cut(text, "0123456789+-.eE")
	unit := c.Unit
	if unit == "" {
		unit = c.Dim.Unit()
	}
	if _, err := strconv.ParseFloat(n, 64); err != nil {
		return "a value, as in " + strings.TrimSpace("1 "+unit)
	}
	if rest == "" {
		return strings.TrimSpace(n + " " + unit)
	}
	// the same prefix with the unit that is wanted, where it was only a prefix; else the unit alone
	if len(rest) == 1 && strings.ContainsAny(rest, "pnumkM") {
		if _, err := quantity.ParseAs(n+" "+rest+c.Dim.Unit(), c.Dim); err == nil {
			return n + " " + rest + c.Dim.Unit()
		}
	}
	return strings.TrimSpace("a value in "+orRatio(unit)) + ", as in " + strings.TrimSpace(n+" "+unit)
}

func orRatio(unit string) string {
	if unit == "" {
		return "no unit or %"
	}
	return unit
}

// list reads several values.
func (c column) list(text string, parts []string) (Value, *complaint) {
	v := Value{Name: c.Name, Column: c.Column}
	var settings []string
	for _, p := range parts {
		one, wrong := c.one(p, true)
		if wrong != nil {
			wrong.text = fmt.Sprintf("%q: %s", text, wrong.text)
			wrong.hint = "write a list as in " + c.listed()
			return Value{}, wrong
		}
		settings = append(settings, one.Setting)
		v.List = append(v.List, one.Amount)
	}
	if len(settings) == 0 {
		return Value{}, complain("write a list as in "+c.listed(), "%q: the list is empty", text)
	}
	v.Setting = "[" + strings.Join(settings, ", ") + "]"
	return v, nil
}

func (c column) listed() string {
	unit := c.Dim.Unit()
	return fmt.Sprintf("[%s, %s]", strings.TrimSpace("1 "+unit), strings.TrimSpace("2 "+unit))
}

// span reads a range: "9..16 V, 8 points", "9..16 V, 8 points log", "9..16 V, step 1 V".
func (c column) span(text string) (Value, *complaint) {
	m := repeated.FindStringSubmatch(text)
	ends := text
	if m != nil {
		ends = m[1]
	}
	low, high, _ := strings.Cut(ends, "..")
	low, high = strings.TrimSpace(low), strings.TrimSpace(high)
	if low == "" || high == "" {
		return Value{}, complain("write as in 9..16 V, 8 points", "%q: a range of values has two ends", text)
	}
	if _, err := strconv.ParseFloat(high, 64); err == nil && c.Unit != "" {
		high, ends = high+" "+c.Unit, ends+" "+c.Unit
	}
	s, err := quantity.ParseSpanAs(low+".."+high, c.Dim)
	if err != nil {
		a, errA := quantity.Parse(low + " " + strings.TrimLeft(high, "0123456789+-.eE "))
		b, errB := quantity.Parse(high)
		if errA == nil && errB == nil && a.Dim == c.Dim && b.Dim == c.Dim && a.SI > b.SI {
			return Value{}, complain(fmt.Sprintf("write %s..%s, 8 points, or for a sweep that runs down {from: %s, to: %s, points: 8}", b, a, a, b), "%q: the range is reversed", text)
		}
		return Value{}, complain("write as in "+c.listed()+", or 9..16 V, 8 points", "%s", err)
	}
	from, to := quantity.Of(s.Low, s.Dim), quantity.Of(s.High, s.Dim)
	if m == nil {
		return Value{}, complain(fmt.Sprintf("write %s, 8 points, or %s, step %s", ends, ends, strings.TrimSpace("1 "+c.Dim.Unit())), "%q: how many values the range has is not said", text)
	}
	v := Value{Name: c.Name, Column: c.Column}
	switch {
	case m[2] != "":
		v.Setting = fmt.Sprintf("{from: %s, to: %s, points: %s}", exact(from), exact(to), m[2])
		if m[3] != "" {
			v.Setting = strings.TrimSuffix(v.Setting, "}") + ", spacing: log}"
		}
	default:
		step, wrong := c.one(m[4], true)
		if wrong != nil {
			wrong.text = fmt.Sprintf("%q: %s", text, wrong.text)
			return Value{}, wrong
		}
		v.Setting = fmt.Sprintf("{from: %s, to: %s, step: %s}", exact(from), exact(to), step.Setting)
	}
	return v, nil
}

// exact writes a quantity with every digit, in its SI unit.
func exact(q quantity.Quantity) string {
	return strings.TrimSpace(strconv.FormatFloat(q.SI, 'g', 15, 64) + " " + q.Dim.Unit())
}
