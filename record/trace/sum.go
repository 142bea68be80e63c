package trace

import (
	"fmt"
	"math"
	"math/big"
	"math/bits"
)

// Sum is a sum of whole numbers, of 128 bits. It is comparable, and the zero value is 0.
type Sum struct {
	high int64
	low  uint64
}

// SumOf gives a sum of one number.
func SumOf(x int64) Sum { return Sum{x >> 63, uint64(x)} }

// Plus gives s + t.
func (s Sum) Plus(t Sum) Sum {
	low, carry := bits.Add64(s.low, t.low, 0)
	return Sum{s.high + t.high + int64(carry), low}
}

// Float64 gives the nearest 64-bit float, or one beside it.
func (s Sum) Float64() float64 {
	if s.high == int64(s.low)>>63 {
		return float64(int64(s.low))
	}
	return math.Ldexp(float64(s.high), 64) + float64(s.low)
}

// Big gives the sum as a number of any length.
func (s Sum) Big() *big.Int {
	b := big.NewInt(s.high)
	return b.Lsh(b, 64).Add(b, new(big.Int).SetUint64(s.low))
}

// String gives the decimal digits.
func (s Sum) String() string { return s.Big().String() }

// MarshalText gives the decimal digits.
func (s Sum) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads decimal digits.
func (s *Sum) UnmarshalText(text []byte) error {
	b, ok := new(big.Int).SetString(string(text), 10)
	if !ok || b.BitLen() > 126 {
		return fmt.Errorf("%q is no whole number of up to 126 bits", text)
	}
	low := new(big.Int).And(b, new(big.Int).SetUint64(math.MaxUint64))
	s.low = low.Uint64()
	s.high = b.Rsh(b, 64).Int64()
	return nil
}

// product gives a times b.
func product(a, b int64) Sum {
	high, low := bits.Mul64(magnitude(a), magnitude(b))
	s := Sum{int64(high), low}
	if (a < 0) != (b < 0) {
		s = s.negative()
	}
	return s
}

func magnitude(x int64) uint64 {
	if x < 0 {
		return -uint64(x)
	}
	return uint64(x)
}

func (s Sum) negative() Sum {
	low, carry := bits.Add64(^s.low, 1, 0)
	return Sum{^s.high + int64(carry), low}
}
