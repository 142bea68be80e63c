package quantity

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Quantity is a number in SI units with its dimension. The zero value is the ratio 0.
type Quantity struct {
	SI  float64
	Dim Dimension
}

// Of makes a quantity from a number in SI units.
func Of(si float64, dim Dimension) Quantity { return Quantity{si, dim} }

// Parse reads a number and its unit: "12 V", "1.5 mohm", "0.5 V/us", "85 %", "25 degC", "2.2 Ah". The space may be left out.
// A number alone is a ratio. NaN, infinities and hexadecimal numbers are refused.
func Parse(text string) (Quantity, error) {
	number, symbol, err := split(text)
	if err != nil {
		return Quantity{}, fmt.Errorf("%q: %w", text, err)
	}
	u := unit{scale: 1}
	if symbol != "" {
		if u, err = parseUnit(symbol); err != nil {
			return Quantity{}, fmt.Errorf("%q: %w", text, err)
		}
	}
	q := Quantity{SI: number*u.scale + u.offset, Dim: u.dim}
	if !(math.Abs(q.SI) <= 1e300) { // room to print it with a prefix or in percent
		return Quantity{}, fmt.Errorf("%q: too large", text)
	}
	return q, nil
}

// ParseAs reads a quantity that must have the dimension want.
func ParseAs(text string, want Dimension) (Quantity, error) {
	q, err := Parse(text)
	if err != nil {
		return Quantity{}, err
	}
	if q.Dim != want {
		return Quantity{}, mismatch(text, q, want)
	}
	return q, nil
}

func mismatch(text string, q Quantity, want Dimension) error {
	if q.Dim == Ratio && want != Ratio && !strings.ContainsAny(text, "%p") {
		return fmt.Errorf("%q: the unit is missing; %s is wanted here, as in \"%s %s\"", text, want.Name(), strings.TrimSpace(text), want.Unit())
	}
	return fmt.Errorf("%q: %s is wanted here, this is %s", text, want.Name(), q.Dim.Name())
}

// split cuts text into its number and what follows it.
func split(text string) (number float64, symbol string, err error) {
	s := strings.TrimSpace(text)
	end := numberEnd(s)
	if end == 0 {
		if s == "" {
			return 0, "", fmt.Errorf("a number with a unit is wanted here")
		}
		return 0, "", fmt.Errorf("a number must come first, as in \"12 V\"")
	}
	number, err = strconv.ParseFloat(s[:end], 64)
	if err != nil {
		return 0, "", fmt.Errorf("%q is no number that can be used", s[:end])
	}
	return number, strings.TrimSpace(s[end:]), nil
}

// numberEnd is the length of the decimal number at the start of s; 0 if there is none.
func numberEnd(s string) int {
	i := 0
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	digits := 0
	for ; i < len(s) && isDigit(s[i]); i++ {
		digits++
	}
	// "9..16" is a span: a point that is followed by another point is not part of the number
	if i < len(s) && s[i] == '.' && !strings.HasPrefix(s[i:], "..") {
		for i++; i < len(s) && isDigit(s[i]); i++ {
			digits++
		}
	}
	if digits == 0 {
		return 0
	}
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		j := i + 1
		if j < len(s) && (s[j] == '+' || s[j] == '-') {
			j++
		}
		if j < len(s) && isDigit(s[j]) {
			for ; j < len(s) && isDigit(s[j]); j++ {
			}
			i = j
		}
	}
	return i
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// MustParse is Parse for constants in code; it panics on text that does not parse.
func MustParse(text string) Quantity {
	q, err := Parse(text)
	if err != nil {
		panic(err)
	}
	return q
}

// In gives the number in the named unit: In("mA") of 0.25 A is 250. The unit must fit the dimension.
func (q Quantity) In(symbol string) (float64, error) {
	u := unit{scale: 1}
	if symbol != "" {
		var err error
		if u, err = parseUnit(symbol); err != nil {
			return 0, err
		}
	}
	if u.dim != q.Dim {
		return 0, fmt.Errorf("%s cannot be given in %q", q.Dim.Name(), symbol)
	}
	return (q.SI - u.offset) / u.scale, nil
}

// String prints the quantity with an engineering prefix and up to six significant digits: "250 mA", "88.5 %".
func (q Quantity) String() string { return q.Text(6) }

// Text prints the quantity with an engineering prefix and at most digits significant digits, trailing zeros removed.
func (q Quantity) Text(digits int) string {
	number, symbol := Scaled(q.SI, q.Dim)
	text := strconv.FormatFloat(number, 'g', digits, 64)
	if strings.ContainsAny(text, "e") && math.Abs(number) >= 1 && math.Abs(number) < 1e6 {
		text = strconv.FormatFloat(number, 'f', 0, 64)
	}
	if symbol == "" {
		return text
	}
	return text + " " + symbol
}

// Times from longTime on are printed in days, and in years of 365.25 d where they are that long.
const (
	longTime    = 1e6
	yearSeconds = 8766 * 3600
)

// plainRatio is the size above which a ratio is a number for reading and no share: 72 events, an ideality of 1.75. Own choice.
const plainRatio = 1.5

// Scaled gives the number and the unit with the prefix that suits its size: 0.25 A is 250 and "mA". Ratios are given in
// percent up to 150 % and as plain numbers above, temperatures in degC, charge and energy in their SI units, times of more than a million seconds in days or years.
func Scaled(si float64, dim Dimension) (number float64, symbol string) {
	switch dim {
	case Ratio:
		if size := math.Abs(si); size > plainRatio && !math.IsInf(si, 0) {
			return si, ""
		}
		return si * 100, "%"
	case Temperature:
		return si - 273.15, "degC"
	}
	if size := math.Abs(si); dim == Time && size >= longTime && !math.IsInf(si, 0) {
		if size >= yearSeconds {
			return si / yearSeconds, "a"
		}
		return si / 86400, "d"
	}
	base, named := coherentUnits[dim]
	if !named || strings.Contains(base, "/") || si == 0 || math.IsNaN(si) || math.IsInf(si, 0) {
		return si, dim.Unit()
	}
	for _, p := range []struct {
		symbol string
		factor float64
	}{{"T", 1e12}, {"G", 1e9}, {"M", 1e6}, {"k", 1e3}, {"", 1}, {"m", 1e-3}, {"u", 1e-6}, {"n", 1e-9}, {"p", 1e-12}, {"f", 1e-15}} {
		// 999.9996 mV prints as 1 V, not as 1000 mV
		if math.Abs(si)*(1+5e-7) >= p.factor {
			if dim == Time && p.factor > 1 {
				continue
			}
			return si / p.factor, p.symbol + base
		}
	}
	return si / 1e-15, "f" + base
}
