package sim_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"fourwire/sim"
)

// beacon returns a fresh bench of the example scenario with two beacon nodes.
func beacon(t testing.TB) *sim.Bench {
	t.Helper()
	text, err := os.ReadFile("../examples/beacon/beacon.scenario.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return build(t, "beacon.scenario.yaml", string(text))
}

// samples is one answer of a unit's buffer.
type samples struct {
	start, count, lost int64
	runs               string
	values             []float32
}

// fetch asks a unit for the samples that wait, and reads the answer by its own rules.
func (d desk) fetch(instrument string, most, least int) samples {
	d.t.Helper()
	answer := []byte(d.ask(instrument, fmt.Sprintf(":TRAC:DATA? %d,%d", most, least)))
	fields := bytes.SplitN(answer, []byte(","), 4)
	var s samples
	for i, into := range []*int64{&s.start, &s.count, &s.lost} {
		*into, _ = strconv.ParseInt(string(fields[i]), 10, 64)
	}
	rest := fields[3]
	end := bytes.IndexByte(rest[1:], '"') + 2
	s.runs = strings.Trim(string(rest[:end]), `"`)
	block := rest[end+1:]
	digits := int(block[1] - '0')
	size, err := strconv.Atoi(string(block[2 : 2+digits]))
	if err != nil || len(block) != 2+digits+size {
		d.t.Fatalf("a block of %d bytes announces %d, %v", len(block), size, err)
	}
	for body := block[2+digits:]; len(body) > 0; body = body[4:] {
		s.values = append(s.values, math.Float32frombits(binary.LittleEndian.Uint32(body)))
	}
	return s
}
