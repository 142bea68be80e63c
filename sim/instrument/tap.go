package instrument

import (
	"math"
	"time"

	"fourwire/sim/circuit"
)

// tap takes spot values of one signal at equal intervals, behind a low-pass of first order, into a ring. The signal goes evenly from step to
// step of the engine, for which the answer of the filter is exact.
type tap struct {
	channel  *Channel
	function Function
	value    func() float64
	tau      float64 // s, of the filter; 0 is none
	interval int64   // ns
	start    int64   // ns, time of sample 0
	usual    circuit.Lag

	input, output float64 // of the filter, at the present time
	level         float64 // of the last sample; NaN before the first
	taken         int64   // samples so far
	until         int64   // sample behind the last one that is kept; Never without one
	ring          []float64
	passed        [2]passed // what the filter makes of oscillations
}

// passed is what the filter leaves of an oscillation, and by how much it lags.
type passed struct{ hertz, lag, share float64 }

func newTap(c *Channel, f Function, value func() float64, hertz float64, interval, start int64, keep int) *tap {
	t := &tap{channel: c, function: f, value: value, interval: interval, start: start, until: Never, ring: make([]float64, keep), level: math.NaN()}
	if hertz > 0 {
		t.tau = 1 / (2 * math.Pi * hertz)
	}
	t.usual = circuit.NewLag(t.tau, time.Duration(interval))
	t.input = held(value(), 0)
	t.output = t.input // it has seen the signal for long
	return t
}

// held is a value, or the last one where there is none: the network has no operating point for a moment.
func held(value, last float64) float64 {
	if math.IsNaN(value) {
		return last
	}
	return value
}

func (t *tap) jump() { t.input = held(t.value(), t.input) }

// time is that of a sample.
func (t *tap) time(sample int64) int64 { return t.start + sample*t.interval }

// at is a sample that is still in the ring.
func (t *tap) at(sample int64) float64 { return t.ring[sample%int64(len(t.ring))] }

// advance takes the samples of a piece of some ns that ends now. seen is told of each with the one before, and may set until; nil is nobody.
func (t *tap) advance(now, span int64, seen func(sample int64, before, value float64)) {
	target := held(t.value(), t.input)
	if target == t.input && math.Abs(t.output-target) <= 1e-12*(1+math.Abs(target)) && !t.oscillates() {
		t.stand(now, target, seen)
		return
	}
	from, begin := t.input, now-span
	at, input := begin, from
	for t.taken < t.until {
		due := t.time(t.taken)
		if due > now {
			break
		}
		next := from + (target-from)*float64(due-begin)/float64(span)
		t.output = t.lag(due-at).NextRamp(t.output, input, next)
		at, input = due, next
		t.put(t.output+t.rippled(due), seen)
	}
	if at < now {
		t.output = t.lag(now-at).NextRamp(t.output, input, target)
	}
	t.input = target
}

func (t *tap) lag(span int64) circuit.Lag {
	if span == t.interval {
		return t.usual
	}
	return circuit.NewLag(t.tau, time.Duration(span))
}

// stand takes the samples of a piece in which nothing moves.
func (t *tap) stand(now int64, level float64, seen func(int64, float64, float64)) {
	t.output = level
	if t.time(t.taken) > now {
		return
	}
	t.put(level, seen) // the first one may cross a level
	n := min((now-t.start)/t.interval+1, t.until) - t.taken
	if n <= 0 {
		return
	}
	for k := max(t.taken, t.taken+n-int64(len(t.ring))); k < t.taken+n; k++ {
		t.ring[k%int64(len(t.ring))] = level
	}
	t.taken += n
}

func (t *tap) put(value float64, seen func(int64, float64, float64)) {
	before := t.level
	k := t.taken
	t.ring[k%int64(len(t.ring))] = value
	t.taken++
	t.level = value
	if seen != nil {
		seen(k, before, value)
	}
}

// resume passes over the samples that were not taken, and keeps those to come.
func (t *tap) resume(now int64) {
	t.until = Never
	if now >= t.start {
		t.taken = max(t.taken, (now-t.start)/t.interval+1)
	}
}

// oscillates tells whether there is more in the signal than the network knows.
func (t *tap) oscillates() bool {
	c := t.channel
	return t.function == Volts && (c.hum != nil || c.ripple != nil && c.ripple.Active())
}

// rippled is an oscillation behind the filter at a time.
func (t *tap) rippled(at int64) float64 {
	if !t.oscillates() {
		return 0
	}
	sum := 0.0
	add := func(k int, volts, hertz float64) {
		if p := &t.passed[k]; p.hertz != hertz {
			w := 2 * math.Pi * hertz * t.tau
			*p = passed{hertz, math.Atan(w), 1 / math.Hypot(1, w)}
		}
		angle := math.Mod(hertz*float64(at)*1e-9, 1) * 2 * math.Pi
		sum += volts * t.passed[k].share * math.Cos(angle-t.passed[k].lag)
	}
	if r := t.channel.ripple; r != nil && r.Active() {
		add(0, r.Volts, r.Hertz)
	}
	if hum := t.channel.hum; hum != nil {
		volts, hertz := hum()
		add(1, volts/2, hertz)
	}
	return sum
}
