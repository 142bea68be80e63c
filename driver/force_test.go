package driver_test

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/quantity"
)

// A unit forces a current of either sign into 10 ohm, with a compliance that it does not exceed. The truth is what the simulator has at the node.
func TestForcedAmpsAndTheirCompliance(t *testing.T) {
	s := simulate(t)
	unit := s.open(t, "smu-1", "source-measure-unit")
	ctx := context.Background()
	if err := unit.Prepare(ctx); err != nil {
		t.Fatal(err)
	}
	source, err := unit.Source(1)
	if err != nil {
		t.Fatal(err)
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(source.ForceAmps(ctx, 0))
	if err := source.Output(ctx, true); !errors.Is(err, driver.ErrOrder) {
		t.Errorf("it goes on without a compliance: %v", err)
	}
	must(source.LimitVolts(ctx, 5))
	must(source.Output(ctx, true))
	for _, c := range []struct {
		amps  float64
		mode  string
		volts float64
	}{
		{0.3, "CC", 3}, {-0.3, "CC", -3}, {1, "CV", 5}, {-2, "CV", -5}, {1e-6, "CC", 1e-5},
	} {
		must(source.ForceAmps(ctx, quantity.Amp(c.amps)))
		must(s.Clock().Sleep(ctx, 20*time.Millisecond))
		st, set, err := source.Inspect(ctx)
		must(err)
		if !st.On || st.Mode != c.mode || set.Amps != c.amps || set.Volts != 5 {
			t.Errorf("%g A: %+v, set %+v", c.amps, st, set)
		}
		// 0.1 % and a millivolt: gain and offset of what is set
		if volts := s.Truth().Volts["dut.lamp"]; math.Abs(volts-c.volts) > 1e-3*math.Abs(c.volts)+1e-3 {
			t.Errorf("%g A: %g V at the node, want %g V", c.amps, volts, c.volts)
		}
	}
	var limit *driver.LimitError
	for _, err := range []error{source.ForceAmps(ctx, 3.5), source.ForceAmps(ctx, -3.5), source.LimitVolts(ctx, 25), source.LimitVolts(ctx, -1)} {
		if !errors.As(err, &limit) {
			t.Errorf("outside of what the model states: %v", err)
		}
	}
	must(source.Output(ctx, false))
	must(source.SetAmps(ctx, 0.1))
	must(source.SetVolts(ctx, 0.5))
	must(source.Output(ctx, true))
	if st, set, err := source.Inspect(ctx); err != nil || st.Mode != "CV" || set.Volts != 0.5 || set.Amps != 0.1 {
		t.Errorf("back to volts: %+v, set %+v, %v", st, set, err)
	}
	must(unit.Abort(ctx))
}

func TestASourceThatForcesVoltsOnlySaysSo(t *testing.T) {
	s := simulate(t)
	psu := s.open(t, "feed-psu", "dc-source")
	source, err := psu.Source(1)
	if err != nil {
		t.Fatal(err)
	}
	for _, err := range []error{source.ForceAmps(context.Background(), 1), source.LimitVolts(context.Background(), 1)} {
		if err == nil || !strings.Contains(err.Error(), "feed-psu") {
			t.Errorf("%v", err)
		}
	}
	if source.AmpsSpan().Set {
		t.Error("it says that it can")
	}
}
