package battery

import "math"

// growth is how much longer a bin of a [Thinner] may be than the time since the current last stepped.
const growth = 0.02

// Thinner makes a record of a few thousand means out of any number of evenly spaced samples: fine right after each step of
// the current, coarser as the voltage comes to rest. Make one with [NewThinner].
type Thinner struct {
	interval float64
	step     float64 // A: a change that counts as a step
	longest  float64 // s

	r         Record
	from      float64 // s, of the open bin
	at        int64   // the next sample
	stepped   float64 // s, when the current last stepped
	n         int
	amps      float64 // sums of the open bin
	volts     float64
	last      float64 // the current of the sample before
	Gaps      int     // stretches that were skipped
	SkippedIn float64 // s, in them
}

// NewThinner makes one for samples so many seconds apart; a change of the current by stepAmps, a twentieth of the largest
// current say, is a step; no mean is longer than longestSeconds.
func NewThinner(intervalSeconds, stepAmps, longestSeconds float64) *Thinner {
	return &Thinner{interval: intervalSeconds, step: stepAmps, longest: longestSeconds, r: Record{Means: true, Edges: []float64{0}}, last: math.NaN()}
}

// Add takes in samples from an index on: behind what came before, or after a gap.
func (t *Thinner) Add(start int64, amps, volts []float32) {
	if start > t.at {
		t.skip(start)
	}
	for i, a := range amps {
		current := float64(a)
		if d := current - t.last; d > t.step || d < -t.step {
			t.close()
			t.stepped = t.from
		}
		t.last = current
		t.amps += current
		t.volts += float64(volts[i])
		t.n++
		t.at++
		if length := float64(t.n) * t.interval; length >= t.longest || length >= growth*(t.from-t.stepped) {
			t.close()
		}
	}
}

// skip bridges a gap: the current goes on as it was, the voltage is not known.
func (t *Thinner) skip(to int64) {
	t.close()
	t.Gaps++
	end := float64(to) * t.interval
	t.SkippedIn += end - t.from
	if n := len(t.r.Amps); n > 0 {
		t.push(end, t.r.Amps[n-1], math.NaN())
	} else {
		t.r.Edges[0] = end
		t.from, t.stepped = end, end
	}
	t.at = to
	t.last = math.NaN()
}

func (t *Thinner) close() {
	if t.n == 0 {
		return
	}
	n := float64(t.n)
	t.push(float64(t.at)*t.interval, t.amps/n, t.volts/n)
	t.n, t.amps, t.volts = 0, 0, 0
}

func (t *Thinner) push(end, amps, volts float64) {
	t.r.Seconds = append(t.r.Seconds, (t.from+end)/2)
	t.r.Edges = append(t.r.Edges, end)
	t.r.Amps, t.r.Volts = append(t.r.Amps, amps), append(t.r.Volts, volts)
	t.from = end
}

// Record gives what has been taken in.
func (t *Thinner) Record() *Record {
	t.close()
	return &t.r
}

// Simplified is the table with only so many of its points as keep linear interpolation within a tolerance of all of them:
// the point that is off most is put in, until none is off by more (after Douglas and Peucker, with the error measured
// upright; from memory).
func (t *Table) Simplified(tolerance float64) Table {
	n := len(t.charge)
	if n < 3 || !(tolerance > 0) {
		return *t
	}
	keep := make([]bool, n)
	keep[0], keep[n-1] = true, true
	var split func(low, high int)
	split = func(low, high int) {
		worst, at := tolerance, -1
		for i := low + 1; i < high; i++ {
			share := (t.charge[i] - t.charge[low]) / (t.charge[high] - t.charge[low])
			if e := math.Abs(t.value[i] - t.value[low] - share*(t.value[high]-t.value[low])); e > worst {
				worst, at = e, i
			}
		}
		if at >= 0 {
			keep[at] = true
			split(low, at)
			split(at, high)
		}
	}
	split(0, n-1)
	var charge, value []float64
	for i, k := range keep {
		if k {
			charge, value = append(charge, t.charge[i]), append(value, t.value[i])
		}
	}
	out, err := NewTable(charge, value, t.Interpolation())
	if err != nil {
		return *t
	}
	return out
}
