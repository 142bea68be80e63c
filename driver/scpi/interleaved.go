package scpi

import (
	"encoding/binary"
	"fmt"
	"math"
)

// Interleaved32 turns the body of a REAL,32 block, in which several rows of numbers take turns (a0, b0, a1, b1, ...), into the rows, in
// the memory of into where they fit. Special numbers are left as they are.
func Interleaved32(into [][]float32, body []byte, order Order) error {
	rows := len(into)
	if rows == 0 || len(body)%(4*rows) != 0 {
		return fmt.Errorf("%w: %d bytes are no whole number of sets of %d 4-byte numbers", ErrBlock, len(body), rows)
	}
	if rows == 1 {
		var err error
		into[0], err = Float32s(into[0], body, order)
		return err
	}
	n := len(body) / (4 * rows)
	for i := range into {
		if cap(into[i]) < n {
			into[i] = make([]float32, n)
		}
		into[i] = into[i][:n]
	}
	switch {
	case rows == 2 && order == Swapped:
		a, b := into[0], into[1][:n]
		for i := range a {
			pair := binary.LittleEndian.Uint64(body)
			a[i], b[i] = math.Float32frombits(uint32(pair)), math.Float32frombits(uint32(pair>>32))
			body = body[8:]
		}
	case rows == 2:
		a, b := into[0], into[1][:n]
		for i := range a {
			pair := binary.BigEndian.Uint64(body)
			a[i], b[i] = math.Float32frombits(uint32(pair>>32)), math.Float32frombits(uint32(pair))
			body = body[8:]
		}
	default:
		for i := range n {
			for _, row := range into {
				if order == Swapped {
					row[i] = math.Float32frombits(binary.LittleEndian.Uint32(body))
				} else {
					row[i] = math.Float32frombits(binary.BigEndian.Uint32(body))
				}
				body = body[4:]
			}
		}
	}
	return nil
}

// surely32 is the bits of a magnitude a little below 9.8E37, from where on a number can stand for something else.
const surely32 = 0x7e937000

// Specials32 replaces what stands for an overload by an infinity of its sign, and what stands for no number by NaN, and tells how many
// there were of both (SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5).
func Specials32(x []float32) (count int) {
	var most uint32
	for _, v := range x {
		most = max(most, math.Float32bits(v)&^(1<<31))
	}
	if most < surely32 {
		return 0
	}
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
