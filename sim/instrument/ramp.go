package instrument

import "math"

// ramp is a set point that moves to its target, evenly or as a single pole does.
type ramp struct {
	from, to   float64
	begin, end int64   // ns; equal when it stands
	tau        float64 // ns, of the pole; 0: evenly
	late       bool    // it has not begun, and begins by start
}

// poleEnds is how many time constants a pole moves for: what is left is below a thousand-millionth.
const poleEnds = 21

// riseInTau is the rise of a single pole from 10 % to 90 %, in time constants: the natural logarithm of 9.
const riseInTau = 2.1972245773362196

// at returns the value at a time.
func (r *ramp) at(t int64) float64 {
	switch {
	case r.late:
		return r.from
	case t >= r.end:
		return r.to
	case t <= r.begin:
		return r.from
	}
	if r.tau > 0 {
		return r.to + (r.from-r.to)*math.Exp(-float64(t-r.begin)/r.tau)
	}
	return r.from + (r.to-r.from)*float64(t-r.begin)/float64(r.end-r.begin)
}

// settleTo moves from the present value as a pole with a rise time in ns does, some ns from now on.
func (r *ramp) settleTo(target float64, rise, now, lead int64) {
	r.moveTo(target, 0, now, lead)
	if r.from != target {
		r.tau = float64(rise) / riseInTau
		r.end += int64(math.Ceil(poleEnds * r.tau))
	}
}

// moveTo starts a ramp from the present value, some ns from now on; perSecond 0 jumps.
func (r *ramp) moveTo(target, perSecond float64, now, lead int64) {
	from := r.at(now)
	if from == target {
		lead = 0
	}
	r.late = lead > 0
	now += lead
	r.from, r.to, r.begin, r.end, r.tau = from, target, now, now, 0
	if perSecond > 0 {
		span := math.Abs(target-from) / perSecond * 1e9
		r.end = now + int64(math.Min(math.Ceil(span), 1e18))
	}
}

// start has a late movement begin where its time has come, and tells that.
func (r *ramp) start(now int64) bool {
	if !r.late || now < r.begin {
		return false
	}
	r.late = false
	return true
}

// jumpTo ends all movement at a value.
func (r *ramp) jumpTo(target float64, now int64) { r.moveTo(target, 0, now, 0) }

// moving tells whether the target is still ahead at a time.
func (r *ramp) moving(now int64) bool { return r.late || now < r.end }

// horizon returns the end of the ramp, or Never.
func (r *ramp) horizon(now int64) int64 {
	switch {
	case !r.moving(now):
		return Never
	case r.late:
		return r.begin
	case r.tau > 0: // steps that follow the bend, and grow with what is over
		return min(r.end, now+max(int64(max(r.tau/20, float64(now-r.begin)/8)), 1))
	}
	return r.end
}
