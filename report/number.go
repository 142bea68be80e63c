package report

import (
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"fourwire/quantity"
	"fourwire/record"
)

// Scale shows numbers of one dimension in one unit, so that those of a table column or an axis can be compared.
type Scale struct {
	Factor float64 // SI value of one
	Offset float64 // SI value of zero, for degC only
	Symbol string  // "mA", "%", "degC"; empty for a bare number
}

// ScaleFor chooses the unit that suits the largest magnitude.
func ScaleFor(largest float64, dim quantity.Dimension) Scale {
	if math.IsNaN(largest) || math.IsInf(largest, 0) || largest == 0 {
		largest = 1
	}
	if dim == quantity.Temperature {
		return Scale{1, 273.15, "degC"}
	}
	_, symbol := quantity.Scaled(math.Abs(largest), dim)
	one := 1.0
	if q, err := quantity.Parse("1 " + symbol); err == nil && symbol != "" {
		one = q.SI
	}
	return Scale{one, 0, symbol}
}

// Shown is the number in the scale's unit.
func (s Scale) Shown(si float64) float64 { return (si - s.Offset) / s.Factor }

// places is after which decimal place an uncertainty has two significant digits, negative left of the point; 0.0996 has them as 0.10.
// The value is rounded to the same place (JCGM 100:2008, 7.2.6).
func places(u float64) int {
	text := strconv.FormatFloat(u, 'e', 1, 64)
	ten, err := strconv.Atoi(text[strings.IndexByte(text, 'e')+1:])
	if err != nil {
		return 0
	}
	return 1 - ten
}

// Places is after which decimal place a value in the scale's unit is rounded for its uncertainty, negative left of the point; ok is
// false where there is no uncertainty to tell.
func (s Scale) Places(u float64) (n int, ok bool) {
	if math.IsNaN(u) || u <= 0 || math.IsInf(u, 0) {
		return 0, false
	}
	return places(u / s.Factor), true
}

// Numbers gives value and uncertainty as text without unit: the uncertainty with two significant digits, the value to the same place.
// Without an uncertainty (NaN or 0) the value has six significant digits and u is empty. NaN gives an empty text.
func (s Scale) Numbers(si, u float64) (value, uncertainty string) {
	if math.IsNaN(si) || math.IsInf(si, 0) {
		return "", ""
	}
	x := s.Shown(si)
	if math.IsNaN(u) || u <= 0 || math.IsInf(u, 0) {
		return short(x), ""
	}
	ux := u / s.Factor
	places := places(ux)
	if places > 9 || places < -6 || math.Abs(x) >= 1e9 {
		return short(x), strconv.FormatFloat(ux, 'g', 2, 64)
	}
	if places < 0 { // 12340 ± 150 is 12340 ± 150, but 123456 ± 1500 is 123500 ± 1500
		round := math.Pow10(-places)
		x, ux, places = math.Round(x/round)*round, math.Round(ux/round)*round, 0
	}
	return strconv.FormatFloat(x, 'f', places, 64), strconv.FormatFloat(ux, 'f', places, 64)
}

// short is a number with up to six significant digits and no exponent where it can do without.
func short(x float64) string {
	if x == 0 {
		return "0"
	}
	if a := math.Abs(x); a >= 1e7 || a < 1e-4 {
		return strconv.FormatFloat(x, 'g', 6, 64)
	}
	places := max(0, 5-int(math.Floor(math.Log10(math.Abs(x)))))
	text := strconv.FormatFloat(x, 'f', places, 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

// WithU is value and uncertainty with their unit: "(90.12 ± 0.34) %"; "12 V" where there is no uncertainty; "no value" for
// NaN.
func WithU(si, u float64, dim quantity.Dimension) string {
	s := ScaleFor(si, dim)
	if si == 0 && u > 0 {
		s = ScaleFor(u, dim)
	}
	return s.withU(si, u)
}

func (s Scale) withU(si, u float64) string {
	value, uncertainty := s.Numbers(si, u)
	switch {
	case value == "":
		return "no value"
	case uncertainty == "":
		return Pretty(strings.TrimSpace(value + " " + s.Symbol))
	case s.Symbol == "":
		return value + " ± " + uncertainty
	}
	return "(" + value + " ± " + uncertainty + ") " + Pretty(s.Symbol)
}

// bare is a number that stands for itself.
func bare() Scale { return Scale{Factor: 1} }

// bareFigures are figures and parameters without a unit that are no share of anything: nobody says an ideality of 105 %.
var bareFigures = []string{"ideality", "exponent", "swings", "starts", "returns", "used", "left_out"}

// FigureText is a figure or parameter by the word of its kind, with its uncertainty and unit.
func FigureText(what string, si, u float64, unit string) string {
	if dim := record.DimensionOf(unit); dim != quantity.Ratio || !slices.Contains(bareFigures, what) {
		return WithU(si, u, dim)
	}
	return bare().withU(si, u)
}

// bareNumber is a number without a unit in the text of a limit.
var bareNumber = regexp.MustCompile(`(^|[\s(<>=])-?[0-9]+(\.[0-9]+)?(e-?[0-9]+)?\s*($|[\s)<>=])`)

// limitScale is the scale in which a value is compared with a limit: a ratio in percent, unless the limit is written as a bare number.
func limitScale(limit string, si float64, unit string) Scale {
	dim := record.DimensionOf(unit)
	if dim == quantity.Ratio && !strings.Contains(limit, "%") && bareNumber.MatchString(limit) {
		return bare()
	}
	return ScaleFor(si, dim)
}

// Pretty writes the units of a text as people print them: Ω, µ, °C. Files keep the plain forms.
func Pretty(text string) string {
	return prettyUnits.Replace(text)
}

var prettyUnits = strings.NewReplacer("uohm", "µΩ", "ohm", "Ω", "degC", "°C", "uV", "µV", "uA", "µA", "uW", "µW", "uF", "µF", "uH", "µH", "us", "µs", "uJ", "µJ", "uC", "µC", "uS", "µS")
