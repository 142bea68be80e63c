package scpi

import (
	"math"
	"strconv"
)

// appendNR3 writes digits.digitsE±nn, correctly rounded. Values whose digits fit an integer product with a safe margin
// are scaled by one power of ten; the others, and those too near to a tie for that, go through strconv.
func appendNR3(out []byte, v float64, digits int) []byte {
	if v == 0 && digits <= 16 {
		if math.Signbit(v) {
			out = append(out, '-')
		}
		out = append(out, "0.0000000000000000"[:2+digits]...)
		return append(out, "E+00"...)
	}
	a := math.Abs(v)
	if digits > 9 || a < 1e-12 || a >= 1e15 {
		return strconv.AppendFloat(out, v, 'E', digits, 64)
	}
	exponent := decimalExponent(a)
	var x float64
	if shift := digits - exponent; shift >= 0 {
		x = a * math.Pow10(shift)
	} else {
		x = a / math.Pow10(-shift)
	}
	n := uint64(x)
	rest := x - float64(n)
	if rest > 0.499 && rest < 0.501 {
		return strconv.AppendFloat(out, v, 'E', digits, 64)
	}
	if rest > 0.5 {
		n++
	}
	top := uint64(math.Pow10(digits))
	if n >= 10*top {
		n /= 10
		exponent++
	}
	if n < top {
		return strconv.AppendFloat(out, v, 'E', digits, 64)
	}
	if math.Signbit(v) {
		out = append(out, '-')
	}
	at := len(out)
	out = append(out, "0.000000000E+00"[:2+digits]...)
	i := at + 1 + digits
	for ; i > at+2; i -= 2 {
		rest := n / 100
		pair := 2 * (n - 100*rest)
		out[i], out[i-1] = digitPairs[pair+1], digitPairs[pair]
		n = rest
	}
	if i > at+1 {
		out[i] = '0' + byte(n%10)
		n /= 10
	}
	out[at] = '0' + byte(n)
	sign := byte('+')
	if exponent < 0 {
		sign, exponent = '-', -exponent
	}
	return append(out, 'E', sign, '0'+byte(exponent/10), '0'+byte(exponent%10))
}

// decimalExponent returns the power of ten of the first digit of a number between 1e-12 and 1e15, or one less when it is
// within rounding of the next power.
func decimalExponent(a float64) int {
	e := (int(math.Float64bits(a)>>52) - 1023) * 1233 >> 12 // log10(2) is 1233/4096
	if e < 0 {
		if a*math.Pow10(-e) < 1 {
			e--
		} else if a*math.Pow10(-e-1) >= 1 {
			e++
		}
		return e
	}
	if a >= math.Pow10(e+1) {
		e++
	}
	return e
}

const digitPairs = "0001020304050607080910111213141516171819202122232425262728293031323334353637383940414243444546474849" +
	"5051525354555657585960616263646566676869707172737475767778798081828384858687888990919293949596979899"
