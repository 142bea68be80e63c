package scpi_test

import (
	"strings"
	"testing"

	"fourwire/driver/scpi"
)

// The floor is a plain copy of the same bytes: compare MB/s of the pairs in one run.
func BenchmarkBlock64MiB(b *testing.B) {
	body := make([]byte, 64<<20)
	for i := range body {
		body[i] = byte(i)
	}
	into, copied := make([]float32, len(body)/4), make([]byte, len(body))
	b.Run("copy", func(b *testing.B) {
		b.SetBytes(int64(len(body)))
		for b.Loop() {
			copy(copied, body)
		}
	})
	for name, order := range map[string]scpi.Order{"float32 swapped": scpi.Swapped, "float32 normal": scpi.Normal} {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(body)))
			b.ReportAllocs()
			for b.Loop() {
				into, _ = scpi.Float32s(into, body, order)
			}
		})
	}
}

func BenchmarkNumbers(b *testing.B) {
	text := []byte(strings.Repeat("+1.234567E-03,", 999) + "1")
	numbers := make([]scpi.Number, 0, 1000)
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		numbers, _ = scpi.AppendNumbers(numbers[:0], text, nil)
	}
}
