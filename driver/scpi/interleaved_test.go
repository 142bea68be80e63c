package scpi_test

import (
	"encoding/binary"
	"errors"
	"math"
	"reflect"
	"testing"

	"fourwire/driver/scpi"
)

// 1 is 3F800000, -0.5 is BF000000, 2 is 40000000, 3 is 40400000, 4 is 40800000, 5 is 40A00000 (IEEE 754 single precision).
func TestInterleaved32(t *testing.T) {
	normal := []byte("\x3f\x80\x00\x00\xbf\x00\x00\x00\x40\x00\x00\x00\x40\x40\x00\x00\x40\x80\x00\x00\x40\xa0\x00\x00")
	swapped := []byte("\x00\x00\x80\x3f\x00\x00\x00\xbf\x00\x00\x00\x40\x00\x00\x40\x40\x00\x00\x80\x40\x00\x00\xa0\x40")
	for _, c := range []struct {
		rows int
		want [][]float32
	}{
		{1, [][]float32{{1, -0.5, 2, 3, 4, 5}}},
		{2, [][]float32{{1, 2, 4}, {-0.5, 3, 5}}},
		{3, [][]float32{{1, 3}, {-0.5, 4}, {2, 5}}},
	} {
		for order, body := range map[scpi.Order][]byte{scpi.Normal: normal, scpi.Swapped: swapped} {
			got := make([][]float32, c.rows)
			if _, err := scpi.Interleaved32(got, body, order); err != nil || !reflect.DeepEqual(got, c.want) {
				t.Errorf("%d rows, order %v: %v, %v", c.rows, order, got, err)
			}
			memory := make([][]float32, c.rows)
			for i := range memory {
				memory[i] = make([]float32, 7)
			}
			first := &memory[0][0]
			if _, err := scpi.Interleaved32(memory, body, order); err != nil || &memory[0][0] != first || !reflect.DeepEqual(memory, c.want) {
				t.Errorf("%d rows, order %v, into memory that is there: %v, %v", c.rows, order, memory, err)
			}
		}
		if _, err := scpi.Interleaved32(make([][]float32, c.rows), normal[:len(normal)-1], scpi.Normal); !errors.Is(err, scpi.ErrBlock) {
			t.Errorf("%d rows of a broken block: %v", c.rows, err)
		}
	}
	if _, err := scpi.Interleaved32(make([][]float32, 5), normal, scpi.Normal); !errors.Is(err, scpi.ErrBlock) {
		t.Errorf("5 rows of 6 numbers: %v", err)
	}
	if _, err := scpi.Interleaved32(nil, nil, scpi.Normal); !errors.Is(err, scpi.ErrBlock) {
		t.Errorf("no row: %v", err)
	}
	empty := [][]float32{{1}, {2}}
	if _, err := scpi.Interleaved32(empty, nil, scpi.Swapped); err != nil || len(empty[0]) != 0 || len(empty[1]) != 0 {
		t.Errorf("nothing: %v, %v", empty, err)
	}
}

// Special numbers: SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5; their place in the row does not matter.
func TestInterleavedSpecials(t *testing.T) {
	inf, nan := float32(math.Inf(1)), float32(math.NaN())
	for _, c := range []struct{ x, want float32 }{
		{9.9e37, inf}, {-9.9e37, -inf}, {9.91e37, nan}, {nan, nan}, {inf, inf}, {-inf, -inf}, {9.7e37, 9.7e37}, {-9.7e37, -9.7e37}, {8e37, 8e37}, {0, 0},
	} {
		for rows := 1; rows <= 3; rows++ {
			for at := range 6 {
				for _, order := range []scpi.Order{scpi.Normal, scpi.Swapped} {
					var body []byte
					for i := range 6 {
						x := float32(1)
						if i == at {
							x = c.x
						}
						if order == scpi.Swapped {
							body = binary.LittleEndian.AppendUint32(body, math.Float32bits(x))
						} else {
							body = binary.BigEndian.AppendUint32(body, math.Float32bits(x))
						}
					}
					body = body[:4*rows*(6/rows)]
					into := make([][]float32, rows)
					n, err := scpi.Interleaved32(into, body, order)
					got, special := into[at%rows][at/rows], 0
					if c.x != c.want || math.IsInf(float64(c.x), 0) {
						special = 1
					}
					if err != nil || n != special || got != c.want && !(got != got && c.want != c.want) {
						t.Errorf("%v at %d of %d rows, order %v, is %v, %d special, %v", c.x, at, rows, order, got, n, err)
					}
				}
			}
		}
	}
	odd := [][]float32{nil} // the last of an odd number stands alone
	if n, err := scpi.Interleaved32(odd, []byte("\x3f\x80\x00\x00\x3f\x80\x00\x00\x7f\x80\x00\x00"), scpi.Normal); n != 1 || err != nil || odd[0][0] != 1 || odd[0][2] != inf {
		t.Errorf("three in a row: %v, %d, %v", odd, n, err)
	}
}

// BenchmarkInterleaved compares the taking apart of two rows, with the look for special numbers, with a plain copy of the same bytes.
func BenchmarkInterleaved(b *testing.B) {
	body := make([]byte, 8<<20)
	for i := 0; i < len(body); i += 4 {
		binary.LittleEndian.PutUint32(body[i:], math.Float32bits(float32(i)))
	}
	copied, rows := make([]byte, len(body)), make([][]float32, 2)
	b.Run("copy", func(b *testing.B) {
		b.SetBytes(int64(len(body)))
		for b.Loop() {
			copy(copied, body)
		}
	})
	b.Run("two rows", func(b *testing.B) {
		b.SetBytes(int64(len(body)))
		b.ReportAllocs()
		for b.Loop() {
			_, _ = scpi.Interleaved32(rows, body, scpi.Swapped)
		}
	})
	b.Run("one row", func(b *testing.B) {
		b.SetBytes(int64(len(body)))
		b.ReportAllocs()
		for b.Loop() {
			_, _ = scpi.Interleaved32(rows[:1], body, scpi.Swapped)
		}
	})
}
