package sim_test

import (
	"context"
	"fmt"
	"os"
	"testing"
	"time"

	"fourwire/transport"
)

// fetchAll records a span through the link and takes the samples as they come; it returns their number.
func fetchAll(tb testing.TB, b interface {
	Link(string) (transport.Link, error)
}, l transport.Link, ctx context.Context, interval, span time.Duration, most int) (count int64) {
	tb.Helper()
	var answer []byte
	ask := func(message string) []byte {
		if err := l.Send(ctx, []byte(message)); err != nil {
			tb.Fatal(err)
		}
		var err error
		if answer, err = l.Receive(ctx, answer); err != nil {
			tb.Fatal(err)
		}
		return answer
	}
	ask(fmt.Sprintf(":FORM REAL,32;:FORM:BORD SWAP;:TRAC:FEED \"CURR\";:TRAC:TINT %g;:TRAC:FEED:CONT ALW;*OPC?", interval.Seconds()))
	query := fmt.Sprintf(":TRAC:DATA? %d,%d", most, most)
	for want := int64(span / interval); count < want; count += int64(most) {
		a := ask(query)
		if len(a) < 4*most {
			tb.Fatalf("%d samples give %d bytes: %.60q", most, len(a), a)
		}
	}
	ask(":TRAC:FEED:CONT NEV;*OPC?")
	return count
}

func recordSpan(tb testing.TB, interval, span time.Duration) (int64, time.Duration) {
	b := beacon(tb)
	l, err := b.Link("smu-a")
	if err != nil {
		tb.Fatal(err)
	}
	ctx, cancel := b.Clock().WithTimeout(context.Background(), 400*24*time.Hour)
	defer cancel()
	_ = l.Send(ctx, []byte(":SOUR:VOLT 3;:OUTP ON"))
	_ = b.Clock().Sleep(ctx, time.Second)
	begin := time.Now()
	n := fetchAll(tb, b, l, ctx, interval, span, 100_000)
	return n, time.Since(begin)
}

// A day of the beacon at 1000 samples a second, and an hour at 50 000; in process. Figures are printed, none is asserted.
func TestLongRecordings(t *testing.T) {
	if os.Getenv("FOURWIRE_LONG") == "" {
		t.Skip("set FOURWIRE_LONG=1 for a day and an hour of samples")
	}
	for _, c := range []struct{ interval, span time.Duration }{{time.Millisecond, 24 * time.Hour}, {20 * time.Microsecond, time.Hour}} {
		n, took := recordSpan(t, c.interval, c.span)
		t.Logf("%v at %v: %d samples in %v, %.2f ns each", c.span, c.interval, n, took, float64(took)/float64(n))
	}
}
