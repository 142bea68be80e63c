package bench_test

import (
	"testing"

	"fourwire/driver/bench"
	"fourwire/internal/diag"
	"fourwire/internal/diag/diagtest"
)

func TestMuseumOfBadFiles(t *testing.T) {
	diagtest.Museum(t, 12, func(name string, data []byte, found *diag.Findings) bool { return bench.Read(name, data, found) != nil })
}
