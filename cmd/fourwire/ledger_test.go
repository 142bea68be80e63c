package main

import (
	"math"
	"testing"
	"time"

	"fourwire/transport"
)

// A byte on a serial line is a start bit, its data, a parity bit where there is one, and the stop bits (TIA-232, from memory); on a socket it has
// no time of its own.
func TestTimeOfAByte(t *testing.T) {
	for address, want := range map[string]float64{
		"serial:/dev/ttyS0?baud=9600":                    10.0 / 9600,
		"serial:/dev/ttyS0":                              10.0 / 9600,
		"serial:/dev/ttyS0?baud=115200&parity=even":      11.0 / 115200,
		"serial:/dev/ttyS0?baud=4800&bits=7&stop=2":      10.0 / 4800,
		"serial:/dev/ttyS0?baud=300&bits=5&stop=1.5":     7.5 / 300,
		"serial:/dev/ttyS0?baud=1200&parity=none&stop=1": 10.0 / 1200,
		"tcp://127.0.0.1:5025":                           0,
	} {
		a, err := transport.ParseAddress(address)
		if err != nil {
			t.Fatal(err)
		}
		if got := byteTime(a); math.Abs(got.Seconds()-want) > float64(time.Nanosecond)/float64(time.Second) {
			t.Errorf("%s: %v, want %v s", address, got, want)
		}
	}
}
