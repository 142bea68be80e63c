package scpi

import (
	"encoding/binary"
	"fmt"
	"math"
)

// Interleaved32 turns the body of a REAL,32 block, in which several rows of numbers take turns (a0, b0, a1, b1, ...), into the rows, in
// the memory of into where they fit. What stands for an overload becomes an infinity of its sign, what stands for no number becomes NaN
// (SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5); specials tells how many there were of both.
func Interleaved32(into [][]float32, body []byte, order Order) (specials int, err error) {
	rows := len(into)
	if rows == 0 || len(body)%(4*rows) != 0 {
		return 0, fmt.Errorf("%w: %d bytes are no whole number of sets of %d 4-byte numbers", ErrBlock, len(body), rows)
	}
	n := len(body) / (4 * rows)
	for i := range into {
		if cap(into[i]) < n {
			into[i] = make([]float32, n)
		}
		into[i] = into[i][:n]
	}
	suspect := false
	switch {
	case rows == 1:
		suspect = oneRow(into[0], body, order)
	case rows == 2:
		suspect = twoRows(into[0], into[1], body, order)
	default:
		suspect = true
		for i := range n {
			for _, row := range into {
				row[i] = single(body, order)
				body = body[4:]
			}
		}
	}
	if suspect {
		for _, row := range into {
			specials += MarkSpecials(row)
		}
	}
	return specials, nil
}

// A magnitude of 2^126 or more, 8.5E37, may stand for something else: for these the sum of the bits without the sign and large reaches the
// place of the sign. Two numbers are looked at in one word.
const (
	unsigned2 = 0x7fffffff_7fffffff
	large2    = 0x01800000_01800000
	sign2     = 0x80000000_80000000
)

func oneRow(a []float32, body []byte, order Order) (suspect bool) {
	var seen uint64
	for len(a) >= 2 && len(body) >= 8 {
		pair := pairOf(body, order)
		seen |= pair&unsigned2 + large2
		a[0], a[1] = math.Float32frombits(uint32(pair)), math.Float32frombits(uint32(pair>>32))
		a, body = a[2:], body[8:]
	}
	for i := range a {
		a[i] = single(body, order)
		seen |= sign2
	}
	return seen&sign2 != 0
}

func twoRows(a, b []float32, body []byte, order Order) (suspect bool) {
	var seen uint64
	b = b[:len(a)]
	if order == Swapped {
		for i := range a {
			pair := binary.LittleEndian.Uint64(body)
			body = body[8:]
			seen |= pair&unsigned2 + large2
			a[i], b[i] = math.Float32frombits(uint32(pair)), math.Float32frombits(uint32(pair>>32))
		}
		return seen&sign2 != 0
	}
	for i := range a {
		pair := binary.BigEndian.Uint64(body)
		body = body[8:]
		seen |= pair&unsigned2 + large2
		a[i], b[i] = math.Float32frombits(uint32(pair>>32)), math.Float32frombits(uint32(pair))
	}
	return seen&sign2 != 0
}

// pairOf gives the bits of two numbers, the first one in the low half.
func pairOf(body []byte, order Order) uint64 {
	if order == Swapped {
		return binary.LittleEndian.Uint64(body)
	}
	pair := binary.BigEndian.Uint64(body)
	return pair>>32 | pair<<32
}

func single(body []byte, order Order) float32 {
	if order == Swapped {
		return math.Float32frombits(binary.LittleEndian.Uint32(body))
	}
	return math.Float32frombits(binary.BigEndian.Uint32(body))
}

// MarkSpecials puts an infinity of its sign in place of what stands for an overload, and NaN in place of what stands for no number, and counts
// both (SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5).
func MarkSpecials(x []float32) (count int) {
	for i, v := range x {
		switch Special32(v) {
		case Valid:
			continue
		case Over:
			x[i] = float32(math.Inf(1))
		case Under:
			x[i] = float32(math.Inf(-1))
		default:
			x[i] = float32(math.NaN())
		}
		count++
	}
	return count
}
