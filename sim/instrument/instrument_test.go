package instrument

import (
	"math"
	"testing"
)

func TestNormalIsNormal(t *testing.T) {
	const n = 200_000
	var sum, squares, fourth, neighbours, last float64
	for i := range uint64(n) {
		x := Seed(1).Normal(Key{"dmm", 1, "volts noise", i})
		sum, squares, fourth, neighbours = sum+x, squares+x*x, fourth+x*x*x*x, neighbours+x*last
		last = x
	}
	// Moments of the standard normal distribution are 0, 1 and 3; each limit is 4 standard deviations of its estimate.
	for _, c := range []struct {
		what             string
		got, want, limit float64
	}{
		{"mean", sum / n, 0, 4 / math.Sqrt(n)},
		{"variance", squares / n, 1, 4 * math.Sqrt(2.0/n)},
		{"fourth moment", fourth / n, 3, 4 * math.Sqrt(96.0/n)},
		{"product of neighbours", neighbours / n, 0, 4 / math.Sqrt(n)},
	} {
		if math.Abs(c.got-c.want) > c.limit {
			t.Errorf("%s is %g, want %g within %g", c.what, c.got, c.want, c.limit)
		}
	}
}

func TestRandomNumbersBelongToTheirKey(t *testing.T) {
	base := Key{"dmm", 1, "volts noise", 7}
	seen := map[float64]string{Seed(1).Normal(base): "the first"}
	for name, x := range map[string]float64{
		"another seed":       Seed(2).Normal(base),
		"another instrument": Seed(1).Normal(Key{"dmn", 1, "volts noise", 7}),
		"another channel":    Seed(1).Normal(Key{"dmm", 2, "volts noise", 7}),
		"another function":   Seed(1).Normal(Key{"dmm", 1, "amps noise", 7}),
		"another sample":     Seed(1).Normal(Key{"dmm", 1, "volts noise", 8}),
		"names run together": Seed(1).Normal(Key{"dmmv", 1, "olts noise", 7}),
	} {
		if other, taken := seen[x]; taken {
			t.Errorf("%s gives the same as %s", name, other)
		}
		seen[x] = name
	}
	if Seed(1).Normal(base) != Seed(1).Normal(base) {
		t.Error("the same key gives two numbers")
	}
	worst := 0.0
	for i := range uint64(10_000) {
		worst = max(worst, math.Abs(Seed(9).Uniform(Key{Number: i})))
	}
	if worst > 1 || worst < 0.999 {
		t.Errorf("uniform numbers reach %g, want just below 1", worst)
	}
}

func TestRampTakesItsTime(t *testing.T) {
	var r ramp
	r.moveTo(10, 100, 1_000_000, 0) // 10 V at 100 V/s: 100 ms
	for _, c := range []struct {
		at   int64
		want float64
	}{{0, 0}, {1_000_000, 0}, {51_000_000, 5}, {101_000_000, 10}, {500_000_000, 10}} {
		if got := r.at(c.at); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("at %d ns: %g, want %g", c.at, got, c.want)
		}
	}
	r.moveTo(5, 100, 51_000_000, 0) // turned round half way: there already
	if r.moving(51_000_000) || r.horizon(51_000_000) != Never {
		t.Error("a ramp to where it stands moves")
	}
	r.moveTo(-5, 0, 60_000_000, 0)
	if r.moving(60_000_000) || r.at(60_000_000) != -5 {
		t.Error("without a slew the ramp does not jump")
	}
}

func TestDelayNeedsAConditionWithoutABreak(t *testing.T) {
	d := delay{span: 100}
	for i, c := range []struct {
		condition bool
		at        int64
		want      bool
	}{{true, 0, false}, {true, 99, false}, {false, 99, false}, {true, 150, false}, {true, 249, false}, {true, 250, true}} {
		if got := d.see(c.condition, c.at); got != c.want {
			t.Errorf("step %d: %v", i, got)
		}
	}
	if (&delay{}).see(true, 5) != true {
		t.Error("a protection without delay does not act at once")
	}
}

// The mean of 1, then a straight line from 1 to 3, then a jump to 5 that is held: 2 s, 2 s, 1 s.
func TestWindow(t *testing.T) {
	v := 1.0
	w := NewWindow(func() float64 { return v })
	w.Begin()
	if w.Mean() != 1 {
		t.Errorf("at the start %g", w.Mean())
	}
	w.Advance(2)
	v = 3
	w.Advance(2)
	v = 5
	w.Jump()
	w.Advance(1)
	if want := (2.0 + 4 + 5) / 5; math.Abs(w.Mean()-want) > 1e-15 {
		t.Errorf("the mean is %g, want %g", w.Mean(), want)
	}
	w.Begin()
	if w.Mean() != 5 {
		t.Errorf("after a new start %g", w.Mean())
	}
}
