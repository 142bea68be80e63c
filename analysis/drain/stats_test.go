package drain_test

import (
	"math"
	"testing"

	"fourwire/analysis/drain"
)

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s is %.12g, want %.12g within %g", what, got, want, relative)
	}
}

// wave samples f at n midpoints of a period.
func wave(n int, f func(phase float64) float64) []float32 {
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(f((float64(i) + 0.5) / float64(n)))
	}
	return x
}

func triangle(low, high float64) func(float64) float64 {
	return func(p float64) float64 {
		if p > 0.5 {
			p = 1 - p
		}
		return low + (high-low)*2*p
	}
}

// Published check values of RMS and mean; RM-03 is a published example, the others are their formulas.
func TestMeanAndRMS(t *testing.T) {
	const n = 100000
	for _, c := range []struct {
		name      string
		f         func(float64) float64
		mean, rms float64
	}{
		{"RM-01 triangle about zero: 1/sqrt 3", triangle(-1, 1), math.NaN(), 0.5773502692},
		{"RM-01 sine: 1/sqrt 2", func(p float64) float64 { return math.Sin(2 * math.Pi * p) }, math.NaN(), 0.7071067812},
		{"RM-01 square", func(p float64) float64 { return math.Copysign(1, p-0.5) }, math.NaN(), 1},
		{"RM-02 pulse train of duty 0.25", func(p float64) float64 {
			if p < 0.25 {
				return 1
			}
			return 0
		}, 0.25, 0.5},
		{"RM-03 triangle between 1.8 and 2.5", triangle(1.8, 2.5), 2.15, 2.159475245},
		{"RM-04 10 A with 4 A of triangular ripple", triangle(8, 12), 10, 10.06644591},
		{"RM-05 trapezoid from 2 to 3 A during 0.4", func(p float64) float64 {
			if p < 0.4 {
				return 2 + p/0.4
			}
			return 0
		}, 1, 1.591644851},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := drain.StatsOf(wave(n, c.f), nil)
			near(t, "the RMS", s.RMS(), c.rms, 1e-5) // RM-02: crest factor 1/0.5 = 2
			if !math.IsNaN(c.mean) {
				near(t, "the mean", s.Mean(), c.mean, 2e-5)
			}
		})
	}
}

// QI-01: 0.5 A exp(-t/10 ms) over 50 ms is 4.966310265 mC. Samples are means over their interval, whose sum has no error of the trapezoid
// rule, which is 0.083 % at 1 ms.
func TestChargeOfIntegratingSamplesIsExact(t *testing.T) {
	const dt, tau = 1e-3, 10e-3
	x := make([]float32, 50)
	for i := range x {
		from := float64(i) * dt
		x[i] = float32(0.5 * tau * (math.Exp(-from/tau) - math.Exp(-(from+dt)/tau)) / dt)
	}
	near(t, "the charge", drain.StatsOf(x, nil).Charge(dt), 4.966310265e-3, 1e-7)
}

// QI-02: at t = 0, 1, 2, 10 s the current is 10, 10, 0, 0 A. Held, the mean is 2.0 A; the plain mean of the four readings, 5.0 A, is wrong. On an
// even grid, as recordings have, the charge over time is the held mean. QI-03: 1 mAh is 3.6 C, 1 Wh is 3600 J.
func TestMeanIsWeighedByTime(t *testing.T) {
	x := []float32{10, 10, 0, 0, 0, 0, 0, 0, 0, 0}
	volts := make([]float32, len(x))
	for i := range volts {
		volts[i] = 3
	}
	s := drain.StatsOf(x, volts)
	if s.Mean() != 2 || s.Charge(1) != 20 {
		t.Errorf("mean %g A, charge %g C; want 2 and 20", s.Mean(), s.Charge(1))
	}
	if a, b := s.Energy(1, 0), s.Energy(1, 3); a != 60 || b != 60 {
		t.Errorf("energy %g J of the recorded volts and %g J of 3 V; want 60", a, b)
	}
	hour := drain.Stats{Count: 3600, Sum: 3600 * 1e-3}
	if q, e := hour.Charge(1), hour.Energy(1, 1000); q != 3.6 || e != 3600 {
		t.Errorf("1 mA for an hour is %g C, at 1000 V %g J; want 3.6 and 3600", q, e)
	}
}

func TestStatsOfParts(t *testing.T) {
	x, v := wave(1001, triangle(-1, 3)), wave(1001, triangle(2, 3))
	for _, volts := range [][]float32{nil, v} {
		whole := drain.StatsOf(x, volts)
		for at := range 1002 {
			var a, b drain.Stats
			if volts == nil {
				a, b = drain.StatsOf(x[:at], nil), drain.StatsOf(x[at:], nil)
			} else {
				a, b = drain.StatsOf(x[:at], v[:at]), drain.StatsOf(x[at:], v[at:])
			}
			s := a.Plus(b)
			if s.Count != whole.Count || s.Min != whole.Min || s.Max != whole.Max || math.Abs(s.Sum-whole.Sum) > 1e-9 ||
				math.Abs(s.Squares-whole.Squares) > 1e-9 || math.Abs(s.Product-whole.Product) > 1e-9 || math.Abs(s.VoltSum-whole.VoltSum) > 1e-9 {
				t.Fatalf("cut at %d: %+v, whole: %+v", at, s, whole)
			}
		}
	}
}
