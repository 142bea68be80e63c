package driver_test

import (
	"context"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/internal/clock"
)

// A capture like the one before says what differs and no more; once a reading has set ranges of its own, it says everything.
func TestACaptureSaysWhatDiffers(t *testing.T) {
	ctx := context.Background()
	const all = `:SENS:FUNC "VOLT";:FORM REAL,32;:FORM:BORD SWAP;:SENS:VOLT:RANG 10;:SENS:VOLT:APER 0.005;:SENS:SWE:POIN 1;:SENS:SWE:OFFS:POIN 0;:TRIG:SEQ2:COUN 3;:TRIG:SEQ2:DEL 0;:TRIG:SEQ2:SOUR TTLT1`
	ended := asks(":STAT:OPER:COND?", "0")
	in, link := opened(t, libraryModel(t, "meter"), driver.Config{Name: "dmm", Clock: clock.NewVirtual(time.Unix(0, 0))}, steps(
		says(all), asks(":SENS:SWE:POIN?", "1"), says(":INIT:SEQ2"), ended,
		says(":TRIG:SEQ2:COUN 2"), says(":INIT:SEQ2"), ended,
		says(":INIT:SEQ2"), ended, // nothing differs
		says(`:SENS:FUNC "VOLT";:SENS:VOLT:RANG 1`),
		says(all), asks(":SENS:SWE:POIN?", "1"), says(":INIT:SEQ2"), ended)...)
	d, err := in.Digitiser(1)
	must(t, err)
	m, err := in.Meter(1)
	must(t, err)
	want := driver.Capture{Functions: []driver.Function{driver.Volts}, ApertureSeconds: 5e-3, Count: 3, VoltsFull: 6, Trigger: driver.Trigger{On: driver.OnLine, Line: 1}}
	arm := func(count int) {
		t.Helper()
		want.Count = count
		a, err := d.Arm(ctx, want)
		must(t, err)
		if a.Count != count || a.Points != 1 || a.ApertureSeconds != 5e-3 || a.Ranges[0].Full != 10 {
			t.Errorf("armed as %+v", a)
		}
		must(t, d.Await(ctx, driver.CaptureEnded, time.Second))
	}
	arm(3)
	arm(2)
	arm(2)
	must(t, m.Arm(ctx, driver.Request{Function: driver.Volts, Expect: 0.5}))
	arm(3)
	must(t, link.Close())
}
