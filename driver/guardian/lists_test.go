package guardian_test

import (
	"context"
	"slices"
	"sync"
	"testing"
	"time"

	"fourwire/driver/guardian"
	"fourwire/transport"
	"fourwire/transport/transporttest"
)

// A run that is gone has left a list running in the load and another one in the source, and a unit armed: each is stopped before it goes off, nothing is
// asked before both have gone out, and the load is off before the source is spoken to.
func TestGuardianStopsListsBeforeOutputs(t *testing.T) {
	scripts := map[string][]transporttest.Step{
		"sink": {transporttest.Sent(":ABOR"), transporttest.Sent(":INP OFF"), transporttest.Sent(":INP?"), transporttest.Answer("0")},
		"psu":  {transporttest.Sent(":ABOR"), transporttest.Sent(":OUTP1 OFF"), transporttest.Sent(":OUTP1?"), transporttest.Answer("0")},
		"smu":  {transporttest.Sent(":ABOR"), transporttest.Sent(":OUTP OFF"), transporttest.Sent(":OUTP?"), transporttest.Answer("0")},
	}
	orders := ordersOf(t, "psu", "dc-source")
	orders.Instruments = append(orders.Instruments, ordersOf(t, "smu", "source-measure-unit").Instruments...)
	load := ordersOf(t, "sink", "electronic-load").Instruments[0]
	load.Turn = guardian.First
	orders.Instruments = append(orders.Instruments, load)
	var mu sync.Mutex
	var said []string
	r, err := guardian.MakeSafe(context.Background(), orders, "test", guardian.Config{
		Dial: func(_ context.Context, a transport.Address, _ string) (transport.Link, error) {
			name := a.Path
			link := transporttest.NewScript(append([]transporttest.Step{transporttest.Sent("*IDN?"), transporttest.Answer("Lakeside,It,S1,1.0")}, scripts[name]...)...)
			return transport.WithTap(link, nil, time.Time{}, func(_ time.Time, _ time.Duration, way byte, message []byte) {
				mu.Lock()
				defer mu.Unlock()
				said = append(said, name+string(way)+string(message))
			}), nil
		},
	})
	if err != nil || r == nil || !r.Safe() || len(r.Switched) != 3 {
		t.Fatalf("%+v, %v, %q", r, err, said)
	}
	order := func(first, second string) {
		t.Helper()
		i, j := slices.Index(said, first), slices.Index(said, second)
		if i < 0 || j < i {
			t.Errorf("%q is not before %q in %q", first, second, said)
		}
	}
	order("sink>:ABOR", "sink>:INP OFF")
	order("sink>:INP OFF", "psu>:ABOR")
	order("sink<0", "smu>:ABOR")
	order("psu>:ABOR", "psu>:OUTP1 OFF")
	order("smu>:OUTP OFF", "smu>:OUTP?")
}
