package scpi

import (
	"fmt"
	"math"
	"strconv"
)

// number reads decimal numeric program data with the suffix that the parameter allows.
func (r *reader) number(p *param) (float64, error) {
	v, err := r.decimal()
	if err != nil || len(r.rest) == 0 {
		return v, err
	}
	r.skipSpace()
	if len(r.rest) == 0 || r.rest[0] == ',' {
		return v, nil
	}
	if c := r.rest[0]; !isLetter(c) && c != '/' {
		return v, r.numberFault()
	}
	suffix := r.suffix()
	switch {
	case len(suffix) > maxMnemonic:
		return v, SuffixTooLong
	case p.suffixes == nil:
		return v, SuffixNotAllowed
	}
	var room [maxMnemonic]byte
	folded := room[:0]
	for _, c := range suffix {
		folded = append(folded, upper(c))
	}
	by, ok := p.suffixes[string(folded)]
	if !ok {
		return v, InvalidSuffix
	}
	return v * by.up / by.down, nil
}

// numberFault names the fault of what stands behind a number and is neither suffix nor comma.
func (r *reader) numberFault() error {
	switch c := r.rest[0]; {
	case isDigit(c), c == '+', c == '-', c == '.', c == '"', c == '\'', c == '(', c == '#':
		return InvalidSeparator
	case c > 0x7e:
		return InvalidCharacter
	}
	return InvalidCharacterInNumber
}

// suffix takes the characters of a suffix.
func (r *reader) suffix() []byte {
	r.skipSpace()
	n := 0
	for n < len(r.rest) && (isLetter(r.rest[n]) || n > 0 && isDigit(r.rest[n]) || r.rest[n] == '/' || r.rest[n] == '.' && n > 0) {
		n++
	}
	out := r.rest[:n]
	r.rest = r.rest[n:]
	return out
}

const (
	maxDigits   = 255   // IEEE 488.2 clause 7.7.2.4.1, leading zeros not counted
	maxExponent = 32000 // the same
)

// decimal reads NRf: sign, digits with an optional point, optional exponent with white space around its E.
func (r *reader) decimal() (float64, error) {
	b, i := r.rest, 0
	negative := false
	if i < len(b) && (b[i] == '+' || b[i] == '-') {
		negative = b[i] == '-'
		i++
	}
	start := i
	var mantissa uint64
	digits, seen, places, point := 0, 0, 0, false
	for ; i < len(b); i++ {
		c := b[i] - '0'
		if c > 9 {
			if b[i] != '.' || point {
				break
			}
			point = true
			continue
		}
		seen++
		if point {
			places++
		}
		if digits > 0 || c != 0 {
			digits++
			if digits <= 19 {
				mantissa = mantissa*10 + uint64(c)
			}
		}
	}
	if seen == 0 || i < len(b) && b[i] == '.' {
		return 0, InvalidCharacterInNumber
	}
	if digits > maxDigits {
		return 0, TooManyDigits
	}
	end := i
	exponent := 0
	if i < len(b) {
		if at, sign, ok := exponentAt(b, i); ok {
			for i = at; i < len(b) && isDigit(b[i]); i++ {
				if exponent <= maxExponent {
					exponent = exponent*10 + int(b[i]-'0')
				}
			}
			if exponent > maxExponent {
				return 0, ExponentTooLarge
			}
			if sign {
				exponent = -exponent
			}
		}
	}
	r.rest = b[i:]
	v := 0.0
	scale := exponent - places
	switch {
	case digits == 0:
	case digits > 15 || scale < -22 || scale > 22:
		v = slowDecimal(b[start:end], exponent)
	case scale < 0:
		v = float64(mantissa) / math.Pow10(-scale)
	default:
		v = float64(mantissa) * math.Pow10(scale)
	}
	if negative {
		v = -v
	}
	return v, nil
}

// exponentAt tells whether an exponent starts at i, where its digits are and whether it is negative. An E that no digits
// follow belongs to a suffix.
func exponentAt(b []byte, i int) (at int, negative, ok bool) {
	for i < len(b) && b[i] <= ' ' {
		i++
	}
	if i >= len(b) || b[i]|0x20 != 'e' {
		return 0, false, false
	}
	i++
	for i < len(b) && b[i] <= ' ' {
		i++
	}
	if i < len(b) && (b[i] == '+' || b[i] == '-') {
		negative = b[i] == '-'
		i++
	}
	return i, negative, i < len(b) && isDigit(b[i])
}

// slowDecimal converts a mantissa of any length; one too big for a float64 becomes infinite.
func slowDecimal(mantissa []byte, exponent int) float64 {
	v, err := strconv.ParseFloat(string(mantissa)+"e"+strconv.Itoa(exponent), 64)
	if err != nil && !math.IsInf(v, 0) {
		return math.NaN()
	}
	return v
}

// nonDecimal reads #H, #Q or #B followed by digits.
func (r *reader) nonDecimal() (float64, error) {
	bits := uint(4)
	switch upper(r.rest[1]) {
	case 'Q':
		bits = 3
	case 'B':
		bits = 1
	}
	i := 2
	var v uint64
	for ; i < len(r.rest); i++ {
		c := r.rest[i]
		if c <= ' ' || c == ',' {
			break
		}
		digit := upper(c) - '0'
		if isLetter(c) {
			digit = upper(c) - 'A' + 10
		}
		if digit >= 1<<bits {
			return 0, InvalidCharacterInNumber
		}
		if v>>(64-bits) != 0 {
			return 0, TooManyDigits
		}
		v = v<<bits | uint64(digit)
	}
	if i == 2 {
		return 0, InvalidCharacterInNumber
	}
	r.rest = r.rest[i:]
	return float64(v), nil
}

// scale turns a number with a suffix into one without: times up, over down. Both are whole, so that a power of ten is
// rounded once.
type scale struct{ up, down float64 }

// unitSuffixes returns every way of writing a unit with its scale to the unit itself (IEEE 488.2 clause 7.7.3).
func unitSuffixes(unit string) (map[string]scale, error) {
	out := map[string]scale{}
	if unit == "1" {
		for text, by := range scaled("") {
			if text != "" {
				out[text] = by
			}
		}
		return out, nil
	}
	above, below := unit, ""
	for i := range len(unit) {
		switch c := unit[i]; {
		case c == '/' && below == "" && i > 0 && i < len(unit)-1:
			above, below = unit[:i], unit[i+1:]
		case c < 'A' || c > 'Z':
			return nil, fmt.Errorf("unit %q: write it in capitals, with at most one slash", unit)
		}
	}
	for a, up := range scaled(above) {
		if below == "" {
			out[a] = up
			continue
		}
		for b, down := range scaled(below) {
			if text := a + "/" + b; len(text) <= maxMnemonic {
				out[text] = scale{up.up * down.down, up.down * down.up}
			}
		}
	}
	return out, nil
}

// scaled returns a unit with every multiplier. M means mega before HZ and OHM, and MA is mega before any unit; where two
// readings meet, as in MA for an ampere, the unit with the shorter multiplier wins. Seconds may also be written as
// minutes and hours (the latter from memory of IEEE 488.2 table 7-1).
func scaled(unit string) map[string]scale {
	out := map[string]scale{
		"EX" + unit: {1e18, 1}, "PE" + unit: {1e15, 1}, "T" + unit: {1e12, 1}, "G" + unit: {1e9, 1},
		"MA" + unit: {1e6, 1}, "K" + unit: {1e3, 1}, unit: {1, 1}, "M" + unit: {1, 1e3}, "U" + unit: {1, 1e6},
		"N" + unit: {1, 1e9}, "P" + unit: {1, 1e12}, "F" + unit: {1, 1e15}, "A" + unit: {1, 1e18},
	}
	switch unit {
	case "HZ", "OHM":
		out["M"+unit] = scale{1e6, 1}
	case "S":
		out["MIN"], out["HR"] = scale{60, 1}, scale{3600, 1}
	}
	return out
}
