package drain_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"fourwire/analysis/drain"
)

// truth is an event that was put into a trace.
type truth struct {
	start, end float64
	coulombs   float64 // with the floor under it
	kind       int
}

// floorNoise is a sleep current with the noise it is measured with.
type floorNoise struct{ amps, noise, drift float64 }

// node makes a trace with events of several kinds at random times, as a node with a beacon makes them: a wake-up tick, a measurement, a
// transmission, a transmission with a retry, and a short peak.
func node(rng *rand.Rand, events int, interval, meanSleep float64, f floorNoise) (*trace, []truth) {
	kinds := [][]level{
		{{300e-6, 3e-3}},
		{{1.5e-3, 2e-3}, {3e-3, 5e-3}, {8e-3, 20e-3}},
		{{1.5e-3, 2e-3}, {8e-3, 20e-3}, {50e-3, 60e-3}},
		{{1.5e-3, 2e-3}, {8e-3, 20e-3}, {50e-3, 60e-3}, {10e-3, 20e-3}, {50e-3, 60e-3}},
		{{120e-3, 1.5e-3}},
	}
	t := newTrace(interval)
	var out []truth
	sleep := func() {
		for left := 0.02 + rng.ExpFloat64()*meanSleep; left > 0; left -= 0.05 {
			t.hold(f.amps*(1+f.drift*math.Sin(2*math.Pi*t.now/300)), min(left, 0.05))
		}
	}
	for range events {
		sleep()
		e := truth{start: t.now, kind: rng.IntN(len(kinds))}
		scale := 1 + 0.03*rng.NormFloat64()
		for _, l := range kinds[e.kind] {
			d := l.seconds * (1 + 0.02*rng.Float64())
			t.hold(l.amps*scale, d)
			e.coulombs += l.amps * scale * d
		}
		e.end = t.now
		out = append(out, e)
	}
	sleep()
	return t, out
}

// score compares what was found with what was put in: an event is found where one overlaps it and no other does.
func score(r *drain.Result, put []truth) (recall, precision, worstCharge float64) {
	dt := r.IntervalSeconds
	used := make([]int, len(r.Events))
	found := 0
	at := 0
	for _, p := range put {
		for at < len(r.Events) && float64(r.Events[at].Start+r.Events[at].Samples)*dt <= p.start {
			at++
		}
		hits := 0
		for k := at; k < len(r.Events) && float64(r.Events[k].Start)*dt < p.end; k++ {
			used[k]++
			hits++
			if hits == 1 {
				floor := r.Thresholds.FloorAmps * (r.Events[k].Seconds - (p.end - p.start))
				worstCharge = max(worstCharge, math.Abs(r.Events[k].Coulombs-floor-p.coulombs)/p.coulombs)
			}
		}
		if hits == 1 {
			found++
		}
	}
	right := 0
	for _, u := range used {
		if u == 1 {
			right++
		}
	}
	return float64(found) / float64(len(put)), float64(right) / float64(max(1, len(r.Events))), worstCharge
}

// Recall and precision of at least 99 % and charge within 1 %: what is promised of the analysis, no outside source. The truth is the
// charge that was put in, not what was sampled.
func TestEventsAreFound(t *testing.T) {
	seeds := 2
	if n, err := strconv.Atoi(os.Getenv("FOURWIRE_SEEDS")); err == nil {
		seeds = n
	}
	for _, c := range []struct {
		name     string
		interval float64
		sleep    float64
		f        floorNoise
		charge   float64
	}{
		{"1 uA with 5 nA of noise", 1e-3, 0.5, floorNoise{1e-6, 5e-9, 0}, 0.01},
		{"1 uA under 1 uA of noise", 1e-3, 0.5, floorNoise{1e-6, 1e-6, 0}, 0.01},
		{"20 nA under 50 nA of noise", 1e-3, 0.5, floorNoise{20e-9, 50e-9, 0}, 0.01},
		{"2 uA without any noise", 1e-3, 0.5, floorNoise{2e-6, 0, 0}, 0.01},
		{"a floor that drifts by 40 % either way", 1e-3, 0.5, floorNoise{2e-6, 10e-9, 0.4}, 0.01},
		{"10 kSa/s", 1e-4, 0.2, floorNoise{1e-6, 100e-9, 0}, 0.01},
		{"hardly any sleep", 1e-3, 0.05, floorNoise{1e-6, 100e-9, 0}, 0.01},
		{"20 uA of idle current", 1e-3, 0.5, floorNoise{20e-6, 500e-9, 0}, 0.01},
	} {
		t.Run(c.name, func(t *testing.T) {
			var recalls, precisions, charges []float64
			for seed := range seeds {
				rng := rand.New(rand.NewPCG(uint64(seed), 500))
				tr, put := node(rng, 500, c.interval, c.sleep, c.f)
				x := tr.amps(rng, func(a float64) float64 { return math.Hypot(c.f.noise, 0.001*(a-c.f.amps)) })
				r, err := drain.Analyse(whole(x), drain.Options{IntervalSeconds: c.interval})
				if err != nil {
					t.Fatal(err)
				}
				recall, precision, charge := score(r, put)
				recalls, precisions, charges = append(recalls, recall), append(precisions, precision), append(charges, charge)
				if recall < 0.99 || precision < 0.99 || charge > c.charge {
					t.Errorf("seed %d: recall %.4f, precision %.4f, worst charge %.3f %%, %d events, thresholds %+v\n%v", seed, recall, precision, charge*100, len(r.Events), r.Thresholds, r.States)
				}
				conserved(t, r)
			}
			t.Log(spread("recall", recalls), spread("precision", precisions), spread("worst charge", charges))
		})
	}
}

func spread(name string, x []float64) string {
	slices.Sort(x)
	return fmt.Sprintf("%s: lowest %.5f, median %.5f, highest %.5f;", name, x[0], x[len(x)/2], x[len(x)-1])
}

// conserved checks what must add up in any result.
func conserved(t *testing.T, r *drain.Result) {
	t.Helper()
	var q, share, time float64
	var n int64
	for _, s := range r.States {
		q, n, share, time = q+s.Charge.X, n+s.Samples, share+s.Share, time+s.TimeShare
	}
	scale := math.Abs(r.RMS.X) * r.Seconds
	if math.Abs(q-r.Charge.X) > 1e-12*scale || n != r.Samples {
		t.Errorf("the states have %.15g C in %d samples, the recording %.15g C in %d", q, n, r.Charge.X, r.Samples)
	}
	if math.Abs(time-1) > 1e-12 {
		t.Errorf("the shares of time add to %.15g", time)
	}
	if got := drain.Area(r.CCDF); math.Abs(got-r.Mean.X) > 1e-6*math.Max(math.Abs(r.Mean.X), 1e-3*r.RMS.X) {
		t.Errorf("the area under the distribution is %.9g A, the mean %.9g A", got, r.Mean.X)
	}
	events := make([]float64, len(r.States))
	var before int64
	for i, e := range r.Events {
		var parts float64
		var samples int64
		for _, p := range e.Parts {
			parts, samples = parts+p.Coulombs, samples+p.Samples
			events[p.State] += p.Coulombs
		}
		if math.Abs(parts-e.Coulombs) > 1e-12*math.Abs(e.Coulombs)+1e-24 || samples != e.Samples {
			t.Fatalf("event %d has %g C in %d samples, its parts %g C in %d", i, e.Coulombs, e.Samples, parts, samples)
		}
		if got := r.EventCharge(i).X; math.Abs(got-e.Coulombs) > 1e-12*math.Abs(e.Coulombs)+1e-24 {
			t.Fatalf("event %d has %g C, by ranges %g C", i, e.Coulombs, got)
		}
		if e.Start < before || e.Start+e.Samples > r.To {
			t.Fatalf("event %d at %d, %d long, overlaps", i, e.Start, e.Samples)
		}
		before = e.Start + e.Samples
	}
	floor := 0
	if r.States[0].Name == "off" {
		floor = 1
	}
	for i, s := range r.States {
		if i > floor && r.More == 0 && math.Abs(events[i]-s.Charge.X) > 1e-11*scale {
			t.Errorf("%s has %g C, its parts of events %g C", s.Name, s.Charge.X, events[i])
		}
	}
	for i, s := range r.Spans {
		if i > 0 && s.From <= r.Spans[i-1].From || s.State >= len(r.States) {
			t.Fatalf("span %d: %+v after %+v", i, s, r.Spans[i-1])
		}
	}
}
