package guardian_test

import (
	"context"
	"testing"

	"fourwire/driver/guardian"
	"fourwire/transport"
)

// A run that was relieved by a guardian which then was lost takes the bench back: load off before source, and a report.
func TestMakeSafe(t *testing.T) {
	b := lit(t)
	r, err := guardian.MakeSafe(context.Background(), orders(t), "the guardian was lost", guardian.Config{
		Clock: b.Clock(),
		Dial:  func(_ context.Context, a transport.Address, _ string) (transport.Link, error) { return b.Link(a.Path) },
	})
	if err != nil || r == nil || !r.Safe() {
		t.Fatalf("%+v, %v", r, err)
	}
	mustBeOff(t, b)
	if off := switched(b); len(off) != 2 || off[0].Instrument != "sink" || off[1].Instrument != "feed-psu" {
		t.Errorf("the load goes off first, then the source: %v", off)
	}
}

func TestMakeSafeSaysWhatItCannotReach(t *testing.T) {
	r, err := guardian.MakeSafe(context.Background(), guardian.Orders{Instruments: []guardian.Instrument{{Name: "feed-psu", Address: "nowhere", Model: "x", Text: "x"}}}, "test", guardian.Config{})
	if err == nil || r != nil {
		t.Errorf("%+v, %v", r, err)
	}
}
