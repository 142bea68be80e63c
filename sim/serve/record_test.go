package serve_test

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"fourwire/internal/diag"
	"fourwire/sim"
	"fourwire/sim/serve"
)

// blocks records over a socket and reads every answer by its own rules; it returns the number of samples.
func blocks(t testing.TB, socket net.Conn, interval, span time.Duration, most int) (count int64) {
	t.Helper()
	in := bufio.NewReaderSize(socket, 1<<20)
	_, _ = fmt.Fprintf(socket, ":SOUR:VOLT 3;:OUTP ON;:FORM:BORD SWAP;:TRAC:FEED \"CURR\";:TRAC:TINT %g;:TRAC:FEED:CONT ALW;*OPC?\n", interval.Seconds())
	if line, err := in.ReadString('\n'); line != "1\n" {
		t.Fatalf("%q %v", line, err)
	}
	body := make([]byte, 4*most)
	for want := int64(span / interval); count < want; count += int64(most) {
		_, _ = fmt.Fprintf(socket, ":TRAC:DATA? %d,%d\n", most, most)
		head, err := in.ReadString('#')
		if err != nil {
			t.Fatal(err)
		}
		if f := strings.Split(head, ","); f[0] != strconv.FormatInt(count, 10) || f[1] != strconv.Itoa(most) || f[2] != "0" {
			t.Fatalf("the answer begins %q, want %d samples from %d", head, most, count)
		}
		digits, _ := in.ReadByte()
		size := make([]byte, digits-'0')
		_, _ = io.ReadFull(in, size)
		if string(size) != strconv.Itoa(len(body)) {
			t.Fatalf("a block of %s bytes", size)
		}
		if _, err := io.ReadFull(in, body); err != nil {
			t.Fatal(err)
		}
		if end, _ := in.ReadByte(); end != '\n' {
			t.Fatalf("the block ends with %q", end)
		}
	}
	_, _ = fmt.Fprint(socket, ":TRAC:FEED:CONT NEV;:TRAC:TOT?\n")
	totals, err := in.ReadString('\n')
	f := strings.Split(totals, ",")
	if taken, _ := strconv.ParseInt(f[0], 10, 64); err != nil || taken < count || f[1] != "0" {
		t.Fatalf("totals %q, %v", totals, err)
	}
	return count
}

// Answers that are held let simulated time jump: hours of samples come as fast as they can be made. With FOURWIRE_LONG=1 it is an hour at
// 50 000 samples a second.
func TestRecordingOverASocket(t *testing.T) {
	text, err := os.ReadFile("../../examples/beacon/beacon.scenario.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, faults := range []string{"", "faults:\n  - {kind: front-panel, instrument: smu-a, volts: 3 V, at: 1 h}\n"} { // with troubles answers go another way
		var found diag.Findings
		s := sim.Read("beacon", append(bytes.Clone(text), faults...), &found)
		b, err := sim.New(s, sim.Options{})
		if err != nil {
			t.Fatal(err)
		}
		addresses, stop := start(t, b, 0, serve.Endpoint{Instrument: "smu-a", Address: "tcp://127.0.0.1:0"})
		socket, err := net.Dial("tcp", strings.TrimPrefix(addresses[0], "tcp://"))
		if err != nil {
			t.Fatal(err)
		}
		span, most := 2*time.Minute, 50_000
		if os.Getenv("FOURWIRE_LONG") != "" {
			span, most = time.Hour, 500_000
		}
		begin := time.Now()
		n := blocks(t, socket, 20*time.Microsecond, span, most)
		took := time.Since(begin)
		t.Logf("%d samples in %v, %.2f ns each", n, took, float64(took)/float64(n))
		_ = socket.Close()
		stop()
	}
}
