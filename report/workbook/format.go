package workbook

import (
	"math"
	"strconv"
	"strings"

	"fourwire/report"
)

// inSI is the unit of the sheets' numbers.
var inSI = report.Scale{Factor: 1}

// numberFormat shows a value as far as its uncertainty lets it be known: to the place of the second digit of U. The cell keeps every digit.
// Without an uncertainty it is the spreadsheet's own choice.
func numberFormat(x, u float64) string {
	places, ok := inSI.Places(u)
	if !ok || math.IsNaN(x) || math.IsInf(x, 0) {
		return "General"
	}
	if places >= 0 && places <= 7 {
		return "0" + fraction(places)
	}
	first := 0 // place of the first digit
	if x != 0 {
		first = -int(math.Floor(math.Log10(math.Abs(x))))
	}
	return "0" + fraction(max(0, min(places-first, 12))) + "E+00"
}

func fraction(places int) string {
	if places == 0 {
		return ""
	}
	return "." + strings.Repeat("0", places)
}

// characters is how long a number is in a format of numberFormat; 0 where the spreadsheet makes it fit.
func characters(x float64, format string) int {
	n := len(strings.Trim(format, "+"))
	switch {
	case format == "General" || math.IsNaN(x):
		return 0
	case !strings.Contains(format, "E"):
		n += len(strconv.FormatFloat(math.Trunc(math.Abs(x)), 'f', 0, 64)) - 1
	}
	if x < 0 {
		n++
	}
	return n
}

// shown is a number in a row of a sheet with its number format.
type shown struct {
	x      float64
	format string
}

// measuredCell shows a value rounded for its uncertainty, and uncertaintyCell the uncertainty.
func measuredCell(x, u float64) shown { return shown{x, numberFormat(x, u)} }
func uncertaintyCell(u float64) shown { return shown{u, numberFormat(u, u)} }
func probabilityCell(p float64) shown { return shown{p, "0.0 %"} }
