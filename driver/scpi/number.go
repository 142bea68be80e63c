package scpi

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
)

// State says whether a number in a response is one.
type State uint8

// The states. The zero value is a number that can be used.
const (
	Valid      State = iota
	Over             // above the range: 9.9E37
	Under            // below the range: -9.9E37
	NotANumber       // no reading: 9.91E37
)

// String says the state in words.
func (s State) String() string {
	switch s {
	case Valid:
		return "valid"
	case Over:
		return "over range"
	case Under:
		return "under range"
	case NotANumber:
		return "not a number"
	}
	return "unknown"
}

// Number is a number of a response. X is 0 unless State is Valid.
type Number struct {
	X     float64
	State State
}

// Float gives the number, or an error that says why there is none.
func (n Number) Float() (float64, error) {
	if n.State != Valid {
		return 0, fmt.Errorf("the instrument answers %s instead of a number", n.State)
	}
	return n.X, nil
}

// Tokens are words that an instrument of a model answers instead of a number, beside the usual ones.
type Tokens struct{ Over, Under, NotANumber []string }

// ParseNumber reads one number of a response: NR1, NR2, NR3 or non-decimal, with blanks around it, a lower-case exponent, or a unit
// behind it, whose multiplier is applied. Special numbers of SCPI-1999 (volume 1, 7.2.1.4: 9.9E37 and 9.91E37) and words such as
// OVLD give a Number that is not valid, without an error. tokens may be nil.
func ParseNumber(field []byte, tokens *Tokens) (Number, error) {
	text := bytes.TrimSpace(bytes.Trim(field, "\x00"))
	if len(text) == 0 {
		return Number{}, fmt.Errorf("a number is missing")
	}
	if state, ok := word(text, tokens); ok {
		return Number{State: state}, nil
	}
	if text[0] == '#' {
		x, err := nonDecimal(text)
		return Number{X: float64(x)}, err
	}
	x, n := decimal(text)
	if n == 0 {
		return Number{}, fmt.Errorf("%s is no number", quoted(text))
	}
	if rest := bytes.TrimSpace(text[n:]); len(rest) > 0 {
		factor, ok := Suffix(string(rest))
		if !ok {
			return Number{}, fmt.Errorf("%s is no number: %s behind it is no unit", quoted(text), quoted(rest))
		}
		x *= factor
	}
	return special(x), nil
}

// special tells the standard's special numbers apart. Instruments round them, and some write 1E38 for overload.
func special(x float64) Number {
	switch size := math.Abs(x); {
	case size < 9.8e37:
		return Number{X: x}
	case size > 9.905e37 && size < 9.915e37 || math.IsNaN(x):
		return Number{State: NotANumber}
	case x < 0:
		return Number{State: Under}
	}
	return Number{State: Over}
}

// usual are the words of SCPI-1999 and those that instruments use in place of them.
func usual(text []byte) (State, bool) {
	upper := string(bytes.ToUpper(text))
	switch upper {
	case "INF", "+INF", "INFINITY", "OVLD", "+OVLD", "OL", "+OL", "OVERLOAD", "+OVERLOAD", "OVERFLOW":
		return Over, true
	case "NINF", "-INF", "NINFINITY", "-OVLD", "-OL", "-OVERLOAD":
		return Under, true
	case "NAN", "+NAN", "-NAN":
		return NotANumber, true
	}
	if len(text) > 1 && len(bytes.Trim(text, "-.")) == 0 {
		return NotANumber, true // a display without a reading: "----"
	}
	return Valid, false
}

func word(text []byte, tokens *Tokens) (State, bool) {
	if tokens != nil {
		for _, t := range []struct {
			words []string
			state State
		}{{tokens.Over, Over}, {tokens.Under, Under}, {tokens.NotANumber, NotANumber}} {
			for _, w := range t.words {
				if bytes.EqualFold(text, []byte(w)) {
					return t.state, true
				}
			}
		}
	}
	if c := text[len(text)-1]; c >= '0' && c <= '9' {
		return Valid, false
	}
	return usual(text)
}

// ParseWhole reads a whole number: decimal, or #H, #Q or #B. A decimal number that is whole (4.0, 4E0) counts.
func ParseWhole(field []byte) (int64, error) {
	text := bytes.TrimSpace(field)
	if len(text) > 0 && text[0] == '#' {
		return nonDecimal(text)
	}
	x, n := decimal(text)
	if n == 0 || n != len(text) || x != math.Trunc(x) || math.Abs(x) >= 1<<53 {
		return 0, fmt.Errorf("%s is no whole number", quoted(text))
	}
	return int64(x), nil
}

// ParseBool reads a truth value: 0 or another number (rounded, SCPI-1999 volume 1, 7.3), ON or OFF.
func ParseBool(field []byte) (bool, error) {
	text := bytes.TrimSpace(field)
	switch {
	case bytes.EqualFold(text, []byte("ON")):
		return true, nil
	case bytes.EqualFold(text, []byte("OFF")):
		return false, nil
	}
	x, n := decimal(text)
	if n == 0 || n != len(text) {
		return false, fmt.Errorf("%s is neither 1 nor 0", quoted(text))
	}
	return math.RoundToEven(x) != 0, nil
}

// nonDecimal reads #HA2F, #Q62 or #B01011.
func nonDecimal(text []byte) (int64, error) {
	if len(text) > 2 {
		base := map[byte]int{'H': 16, 'Q': 8, 'B': 2}[text[1]&^0x20]
		if c := text[2]; base != 0 && c != '+' && c != '-' {
			if v, err := strconv.ParseInt(string(text[2:]), base, 64); err == nil {
				return v, nil
			}
		}
	}
	return 0, fmt.Errorf("%s is no hexadecimal, octal or binary number", quoted(text))
}

var tens = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// decimal reads the number at the front of text and says how many bytes it has; none where there is no number. Blanks around
// the E are allowed as 488.2 allows them to a controller.
func decimal(text []byte) (x float64, n int) {
	i, negative := 0, false
	if i < len(text) && (text[i] == '+' || text[i] == '-') {
		negative = text[i] == '-'
		i++
	}
	var mantissa uint64
	digits, exponent, exact := 0, 0, true
	point := false
	for ; i < len(text); i++ {
		c := text[i]
		if c == '.' && !point {
			point = true
			continue
		}
		if c < '0' || c > '9' {
			break
		}
		digits++
		if mantissa >= 1<<53/10 {
			exact = false
		} else {
			mantissa = mantissa*10 + uint64(c-'0')
		}
		if point {
			exponent--
		}
	}
	if digits == 0 {
		return 0, 0
	}
	mantissaEnd := i
	written, j, ok := exponentOf(text[i:])
	if ok {
		i += j
		exponent += written
	}
	if exact && exponent >= -22 && exponent <= 22 {
		x = float64(mantissa)
		if exponent < 0 {
			x /= tens[-exponent]
		} else {
			x *= tens[exponent]
		}
		if negative {
			x = -x
		}
		return x, i
	}
	plain := string(text[:mantissaEnd])
	if ok {
		plain += "E" + strconv.Itoa(written)
	}
	x, _ = strconv.ParseFloat(plain, 64) // out of range gives an infinity, which special turns into a state
	return x, i
}

// exponentOf reads "E+37", "e 3" or " E-3" at the front of text; n bytes belong to it.
func exponentOf(text []byte) (value, n int, ok bool) {
	i := 0
	blank := func() {
		for i < len(text) && text[i] == ' ' {
			i++
		}
	}
	blank()
	if i >= len(text) || text[i]|0x20 != 'e' {
		return 0, 0, false
	}
	i++
	blank()
	negative := false
	if i < len(text) && (text[i] == '+' || text[i] == '-') {
		negative = text[i] == '-'
		i++
	}
	start := i
	for ; i < len(text) && text[i] >= '0' && text[i] <= '9'; i++ {
		if value < 1<<20 {
			value = value*10 + int(text[i]-'0')
		}
	}
	if i == start {
		return 0, 0, false
	}
	if negative {
		value = -value
	}
	return value, i, true
}

// quoted shows text of an instrument in a message, shortened, without control characters.
func quoted(text []byte) string {
	const most = 40
	if len(text) > most {
		return strconv.QuoteToASCII(string(text[:most])) + "..."
	}
	return strconv.QuoteToASCII(string(text))
}
