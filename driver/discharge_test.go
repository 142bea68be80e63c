package driver_test

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// falling is a node that discharges through a resistor: V0 exp(-t/tau), from theory.
type falling struct {
	clock *clock.Virtual
	begun time.Time
	from  float64
	tau   float64 // s; 0: it stands
	fails error
}

func (f *falling) Begin(ctx context.Context, r driver.Request) error {
	if f.fails != nil {
		return f.fails
	}
	return f.clock.Sleep(ctx, r.Aperture)
}

func (f *falling) End(context.Context) (driver.Reading, error) {
	v := f.from
	if f.tau > 0 {
		v *= math.Exp(-f.clock.Since(f.begun).Seconds() / f.tau)
	}
	return driver.Reading{Value: measured.Exact(quantity.Of(v, quantity.Voltage))}, nil
}

func TestDischargeIsWatchedUntilItIsOver(t *testing.T) {
	broken := errors.New("no answer")
	for _, c := range []struct {
		name      string
		from, tau float64
		fails     error
		safe      quantity.Volt
		looked    float64 // s, at most
		left      float64 // s, from the formula t = tau ln(V/Vsafe); 0: none is given
		said      string
	}{
		{name: "12 V and 0.4 s are gone in 0.4 ln 12 = 0.99 s", from: 12, tau: 0.4, looked: 1.1, said: "discharged: "},
		{name: "a converter's bus takes 10 ln 60 = 41 s, of which 3 have passed", from: 60, tau: 10, looked: 3.1, left: 10*math.Log(60) - 3, said: "discharged in about"},
		{name: "a threshold of its own is reached earlier", from: 60, tau: 10, safe: 42, looked: 3.7, left: 10*math.Log(60./42) - 3, said: "discharged in about 0.5"},
		{name: "a battery does not discharge", from: 13.2, looked: 3.1, said: "it does not fall"},
		{name: "reversed, too", from: -12, tau: 10, looked: 3.1, left: 10*math.Log(12) - 3, said: "discharged in about"},
		{name: "a meter that is gone", fails: broken, said: "cannot be measured: no answer"},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := clock.NewVirtual(time.Unix(0, 0))
			f := &falling{clock: v, begun: v.Now(), from: c.from, tau: c.tau, fails: c.fails}
			seen := 0
			got := driver.Discharge{Safe: c.safe, Within: 3 * time.Second, Aperture: 20 * time.Millisecond, Clock: v, Seen: func(float64) { seen++ }}.Watch(context.Background(), f)
			if !errors.Is(got.Err, c.fails) || got.Looked.Seconds() > c.looked || math.Abs(got.Left.Seconds()-c.left) > 0.11 {
				t.Errorf("got %+v, want about %.2f s left", got, c.left)
			}
			if !strings.Contains(got.String(), c.said[:min(len(c.said), 19)]) || (seen == 0) != (c.fails != nil) {
				t.Errorf("%d readings, %q", seen, got)
			}
			if got.Discharged != (got.Err == nil && math.Abs(got.Volts) < math.Max(1, float64(c.safe))) {
				t.Errorf("discharged is %v at %g V", got.Discharged, got.Volts)
			}
		})
	}
}
