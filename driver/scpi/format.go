package scpi

import (
	"fmt"
	"math"
	"strconv"
)

// Form is one of the standard's forms of a decimal number (IEEE 488.2 clauses 8.7.2 to 8.7.4 and 7.7.2).
type Form uint8

// The forms. NRf is whatever is shortest; it is what an instrument has to accept.
const (
	NRf Form = iota
	NR1      // a whole number: 12
	NR2      // with a point: 12.000
	NR3      // with point and exponent: 1.2000E+01
)

// Format says how a number is written.
type Format struct {
	Form   Form
	Digits int     // behind the point for NR2 and NR3; significant ones for NRf, where 0 is 9
	Scale  float64 // what one of the written number stands for, in SI: 1e-3 writes volts as millivolts; 0 is 1
}

// AppendNumber writes x, in SI units, behind dst. NaN and infinities cannot be sent, nor can a number that has more digits
// than an instrument must accept (IEEE 488.2 clause 7.7.2.4.1: a mantissa of 255, an exponent within 32000).
func AppendNumber(dst []byte, x float64, f Format) ([]byte, error) {
	if f.Scale != 0 && f.Scale != 1 {
		if inverse := 1 / f.Scale; inverse == math.Round(inverse) {
			x *= inverse // 12 V in mV is 12000 exactly; 12/1e-3 is not
		} else {
			x /= f.Scale
		}
	}
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return dst, fmt.Errorf("%v cannot be sent as a number", x)
	}
	if x == 0 {
		x = 0 // no minus sign
	}
	before := len(dst)
	switch f.Form {
	case NR1:
		if math.Abs(x) >= 1<<53 {
			return dst, fmt.Errorf("%v is too large to be sent as a whole number", x)
		}
		return strconv.AppendInt(dst, int64(math.Round(x)), 10), nil
	case NR2:
		if math.Abs(x) >= 1e15 {
			return dst, fmt.Errorf("%v is too large to be sent without an exponent", x)
		}
		dst = strconv.AppendFloat(dst, x, 'f', max(1, f.Digits), 64)
	case NR3:
		dst = strconv.AppendFloat(dst, x, 'E', max(1, f.Digits), 64)
	default:
		digits := f.Digits
		if digits == 0 {
			digits = 9
		}
		dst = strconv.AppendFloat(dst, x, 'G', digits, 64)
	}
	return unsigned(dst, before), nil
}

// unsigned takes the sign away from a number that was rounded to zero.
func unsigned(dst []byte, at int) []byte {
	if dst[at] != '-' {
		return dst
	}
	for _, c := range dst[at+1:] {
		if c >= '1' && c <= '9' {
			return dst
		}
		if c == 'E' {
			break
		}
	}
	return append(dst[:at], dst[at+1:]...)
}

// AppendBool writes ON or OFF.
func AppendBool(dst []byte, on bool) []byte {
	if on {
		return append(dst, "ON"...)
	}
	return append(dst, "OFF"...)
}

// AppendString writes a quoted string; quotes inside are doubled.
func AppendString(dst []byte, text string) []byte {
	dst = append(dst, '"')
	for i := range len(text) {
		if text[i] == '"' {
			dst = append(dst, '"')
		}
		dst = append(dst, text[i])
	}
	return append(dst, '"')
}

// AppendBlock writes data as a definite block: "#", the number of digits of the length, the length, the bytes.
func AppendBlock(dst, data []byte) []byte {
	var room [20]byte
	length := strconv.AppendInt(room[:0], int64(len(data)), 10)
	dst = append(dst, '#', '0'+byte(len(length)))
	dst = append(dst, length...)
	return append(dst, data...)
}

// AppendChannels writes a channel list: (@1,3).
func AppendChannels(dst []byte, channels ...int) []byte {
	dst = append(dst, "(@"...)
	for i, ch := range channels {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = strconv.AppendInt(dst, int64(ch), 10)
	}
	return append(dst, ')')
}

// AppendUnit joins a message unit to those already in dst, with a semicolon between. A unit behind another one must stand for
// itself: give its header from the root, with a leading colon, or a common command (SCPI-1999 volume 1, 6.2.4).
func AppendUnit(dst []byte, unit []byte) []byte {
	if len(dst) > 0 {
		dst = append(dst, ';')
	}
	return append(dst, unit...)
}
