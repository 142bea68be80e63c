package drain_test

import (
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"testing"
	"time"

	"fourwire/analysis/drain"
)

// A day at 1 kSa/s of a node that wakes each minute: 86.4 million samples. Only with FOURWIRE_LONG=1; always on is a twentieth of it. The figures
// of time and memory are printed and not judged.
func TestDay(t *testing.T) {
	hours := 1
	if os.Getenv("FOURWIRE_LONG") == "1" {
		hours = 24
	}
	rng := rand.New(rand.NewPCG(24, 24))
	hour := newTrace(1e-3)
	var coulombs float64
	cycle := []level{{1.5e-3, 2e-3}, {3e-3, 5e-3}, {8e-3, 20e-3}, {50e-3, 60e-3}}
	for k := range 60 {
		wake := float64(k)*60 + 30 + rng.Float64()
		hour.hold(2e-6, wake-hour.now)
		hour.play(cycle...)
	}
	hour.hold(2e-6, 3600-hour.now)
	for _, l := range cycle {
		coulombs += l.amps * l.seconds
	}
	x := hour.amps(rng, func(a float64) float64 { return math.Hypot(20e-9, 0.001*a) })
	given := func(yield func(*drain.Block, error) bool) {
		for h := range hours {
			for at := 0; at < len(x); at += 100_000 {
				end := min(len(x), at+100_000)
				if !yield(&drain.Block{Start: int64(h*len(x) + at), Amps: x[at:end]}, nil) {
					return
				}
			}
		}
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	begin := time.Now()
	r, err := drain.Analyse(given, drain.Options{IntervalSeconds: 1e-3})
	took := time.Since(begin)
	runtime.ReadMemStats(&after)
	if err != nil {
		t.Fatal(err)
	}
	conserved(t, r)
	if want := 60 * hours; len(r.Events) != want || len(r.Kinds) == 0 || r.Kinds[0].Count < want*9/10 {
		t.Errorf("%d events, want %d; %+v", len(r.Events), want, r.Kinds)
	}
	for i, e := range r.Events {
		if math.Abs(e.Coulombs-coulombs) > 0.01*coulombs {
			t.Fatalf("event %d has %g C, want %g", i, e.Coulombs, coulombs)
		}
	}
	near(t, "the mean", r.Mean.X, (coulombs*60+2e-6*(3600-60*0.087))/3600, 1e-3)
	t.Logf("%d samples in %v, %.1f ns each; %.1f MB allocated; %d states", r.Samples, took, float64(took.Nanoseconds())/float64(r.Samples), float64(after.TotalAlloc-before.TotalAlloc)/1e6, len(r.States))
	for _, s := range r.States {
		t.Logf("%-12s %.4g A, %.4g s, %.2f %% of the charge, %d visits", s.Name, s.Amps, s.Seconds, 100*s.Share, s.Visits)
	}
}
