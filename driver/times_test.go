package driver_test

import (
	"context"
	"math"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/internal/clock"
	"fourwire/internal/ledger"
	"fourwire/transport"
	"fourwire/transport/transporttest"
)

// paced is a link whose answers take their time.
type paced struct {
	transport.Link
	clock *clock.Virtual
	took  []time.Duration // of the answers, in order; the last one goes on
}

func (p *paced) Receive(ctx context.Context, into []byte) ([]byte, error) {
	d := p.took[0]
	if len(p.took) > 1 {
		p.took = p.took[1:]
	}
	if err := p.clock.Sleep(ctx, d); err != nil {
		return into, err
	}
	return p.Link.Receive(ctx, into)
}

// The processing of an instrument is the median of its plain queries less the wire; a query behind a command is none, since the command is
// worked on first. What the bytes of a serial line take is the wire's: 1 ms each here.
func TestHowFastAnInstrumentAnswers(t *testing.T) {
	ms := time.Millisecond
	c := clock.NewVirtual(time.Unix(0, 0))
	script := transporttest.NewScript(
		transporttest.Sent("*IDN?"), transporttest.Answer("Maker,Model,S1,1.0"), // 5 and 18 bytes
		transporttest.Sent(":SOUR1:VOLT?"), transporttest.Answer("12.0"), // 12 and 4
		transporttest.Sent(":SOUR1:VOLT?"), transporttest.Answer("12.0"),
		transporttest.Sent(":SOUR1:VOLT 12.5"), transporttest.Sent(":SYST:ERR?"), transporttest.Answer(`0,"No error"`), // 16 + 10 and 12
	)
	link := &paced{script, c, []time.Duration{2*ms + 23*ms + 5*ms, 2*ms + 16*ms + 7*ms, 2*ms + 16*ms + 40*ms, 500 * ms}}
	l := ledger.New(c)
	in, err := driver.Open(context.Background(), driver.Config{Name: "psu", Model: libraryModel(t, "dc-source"), Link: link, Clock: c, Spans: l, WireTime: 2 * ms, ByteTime: ms})
	must(t, err)
	s, err := in.Source(1)
	must(t, err)
	for range 2 {
		_, err = s.Volts(context.Background())
		must(t, err)
	}
	must(t, s.SetVolts(context.Background(), 12.5))
	got := in.Times()
	if want := 7e-3; got.Queries != 3 || math.Abs(got.ProcessingSeconds-want) > 1e-9 { // of 5, 7 and 40 ms
		t.Errorf("%+v, want 3 queries with a median of %v s", got, want)
	}
	if want := (25e-3 + 18e-3 + 18e-3) / 3; math.Abs(got.WireSeconds-want) > 1e-9 {
		t.Errorf("an exchange is %v s on its way, want %v s", got.WireSeconds, want)
	}
	sums := map[ledger.Kind]float64{}
	for _, x := range l.Spans() {
		sums[x.Kind] += x.Seconds
	}
	// on the way: the three, and 2 ms and 38 bytes of the last
	if math.Abs(sums[ledger.Transfer]-(25e-3+18e-3+18e-3+40e-3)) > 1e-9 || math.Abs(sums[ledger.Processing]-(5e-3+7e-3+40e-3+460e-3)) > 1e-9 {
		t.Errorf("%v", sums)
	}
}
