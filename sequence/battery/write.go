package battery

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"

	cell "fourwire/analysis/battery"
)

// Write gives a battery file of a cell, always in the same order and form, which Read takes back as the same cell, charges
// and ratios but for the rounding of their last bit. Lines of remark become comments at its head: say there where the figures come from.
func Write(f *File, remark ...string) []byte {
	w := writer{}
	w.line("fourwire: %s", Kind)
	for _, r := range remark {
		for _, line := range strings.Split(r, "\n") {
			w.line("%s", strings.TrimRight("# "+oneLine(line), " "))
		}
	}
	c := &f.Cell
	w.line("title: %s", quoted(f.Title))
	if f.Source != "" {
		w.line("source: %s", quoted(f.Source))
	}
	w.charge("capacity", c.CapacityCoulomb)
	w.ratio("", "tolerance", c.Tolerance)
	w.amount("", "cutoff", c.CutoffVolts, "V")
	w.amount("", "recover", c.RecoverVolts, "V")
	w.line("open_circuit:")
	w.table("  ", &c.OCV, "V")
	if c.OCV.Interpolation() == cell.Cubic {
		w.line("interpolation: cubic")
	}
	w.figure("", "resistance", &c.Ohm)
	if len(c.Pairs) > 0 {
		w.line("pairs:")
		for k := range c.Pairs {
			w.figure("  - ", "ohm", &c.Pairs[k].Ohm)
			w.line("    tau: %s s", number(c.Pairs[k].TauSeconds))
		}
	}
	if c.SelfDischarge != ([2]float64{}) {
		w.line("self_discharge: %s", span(c.SelfDischarge[0], c.SelfDischarge[1]))
	}
	w.ratio("", "efficiency", c.Efficiency)
	if c.ActivationJoulePerMole != 0 || c.KelvinReference != 0 {
		w.line("temperature:")
		w.amount("  ", "reference", c.KelvinReference, "K")
		w.line("  activation: %s J/mol", number(c.ActivationJoulePerMole))
	}
	if c.CapacityScale != 0 || c.OhmScale != 0 {
		w.line("ageing:")
		w.ratio("  ", "capacity", c.CapacityScale)
		w.ratio("  ", "resistance", c.OhmScale)
	}
	w.amount("", "shelf_life", f.ShelfSeconds, "s")
	return w.b.Bytes()
}

type writer struct{ b bytes.Buffer }

func (w *writer) line(format string, args ...any) {
	fmt.Fprintf(&w.b, format, args...)
	w.b.WriteByte('\n')
}

// amount writes a quantity with its unit; 0 is left out. Where the number reads better in another unit and loses nothing by
// it, that one is taken.
func (w *writer) amount(indent, key string, x float64, unit string) {
	if x == 0 {
		return
	}
	if key == "shelf_life" {
		if years := x / cell.YearSeconds; years*cell.YearSeconds == x && len(number(years)) < 6 {
			x, unit = years, "a"
		}
	}
	if key == "reference" {
		if c := x - 273.15; c+273.15 == x && len(number(c)) < 6 {
			x, unit = c, "degC"
		}
	}
	w.line("%s%s: %s %s", indent, key, number(x), unit)
}

func (w *writer) charge(key string, coulomb float64) {
	if ah := coulomb / 3600; exact(number(ah), 3600) == coulomb {
		w.line("%s: %s Ah", key, number(ah))
		return
	}
	w.line("%s: %s C", key, number(coulomb))
}

// ratio writes a ratio in percent.
func (w *writer) ratio(indent, key string, x float64) {
	if x != 0 {
		w.line("%s%s: %s", indent, key, share(x))
	}
}

// share is a ratio in percent, the shortest text that reads back as the same number but for the rounding of its last bit.
func share(x float64) string {
	for _, digits := range []int{6, 9, 12, 15} {
		text := strconv.FormatFloat(x*100, 'g', digits, 64)
		if math.Abs(exact(text, 0.01)-x) <= 4e-16*math.Abs(x) {
			return text + " %"
		}
	}
	return number(x)
}

// span is a span of ratios in percent.
func span(low, high float64) string {
	a, inPercent := strings.CutSuffix(share(low), " %")
	b, both := strings.CutSuffix(share(high), " %")
	if !inPercent || !both {
		return number(low) + ".." + number(high)
	}
	return a + ".." + b + " %"
}

// exact is what the reader makes of a number and the scale of its unit.
func exact(text string, scale float64) float64 {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0
	}
	return x * scale
}

// figure writes a resistance: one value, or a table.
func (w *writer) figure(indent, key string, t *cell.Table) {
	charge, ohm := t.Points()
	switch len(charge) {
	case 0:
		w.line("%s%s: 0 ohm", indent, key)
	case 1:
		w.line("%s%s: %s ohm", indent, key, number(ohm[0]))
	default:
		w.line("%s%s:", indent, key)
		w.table(strings.Repeat(" ", len(indent))+"  ", t, "ohm")
	}
}

func (w *writer) table(indent string, t *cell.Table, unit string) {
	charge, value := t.Points()
	last := -1.0
	for i, s := range charge {
		text := share(s)
		percent, inPercent := strings.CutSuffix(text, " %")
		if inPercent && exact(percent, 0.01) <= last { // two charges a last bit apart stay two
			text, inPercent = number(s), false
		}
		if last = s; inPercent {
			last = max(s, exact(percent, 0.01))
		}
		w.line("%s%s: %s %s", indent, text, number(value[i]), unit)
	}
}

// number is the shortest text that reads back as the same number.
func number(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

func quoted(text string) string {
	text = oneLine(text)
	if plain(text) {
		return text
	}
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(text) + `"`
}

// plain tells whether YAML takes a text as it is.
func plain(text string) bool {
	if text == "" || strings.ContainsAny(text, ":#\"'\\{}[],&*!|>%@`~?") || text != strings.TrimSpace(text) {
		return false
	}
	for i, r := range text {
		letter := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z'
		if i == 0 && !letter || r < ' ' || r > '~' {
			return false
		}
	}
	switch strings.ToLower(text) {
	case "null", "true", "false", "yes", "no", "on", "off", "y", "n", "nan", "inf":
		return false
	}
	return true
}

// oneLine takes what would end a line, or do something to a terminal, out of a text.
func oneLine(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == 0x2028 || r == 0x2029 || r == 0xfffd {
			return ' '
		}
		return r
	}, text)
}
