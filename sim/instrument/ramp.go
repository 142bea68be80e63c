package instrument

import "math"

// ramp is a set point that moves evenly to its target.
type ramp struct {
	from, to   float64
	begin, end int64 // ns; equal when it stands
}

// at returns the value at a time.
func (r *ramp) at(t int64) float64 {
	if t >= r.end {
		return r.to
	}
	if t <= r.begin {
		return r.from
	}
	return r.from + (r.to-r.from)*float64(t-r.begin)/float64(r.end-r.begin)
}

// moveTo starts a ramp from the present value; perSecond 0 jumps.
func (r *ramp) moveTo(target, perSecond float64, now int64) {
	from := r.at(now)
	r.from, r.to, r.begin, r.end = from, target, now, now
	if perSecond > 0 {
		span := math.Abs(target-from) / perSecond * 1e9
		r.end = now + int64(math.Min(math.Ceil(span), 1e18))
	}
}

// jumpTo ends all movement at a value.
func (r *ramp) jumpTo(target float64, now int64) { r.moveTo(target, 0, now) }

// moving tells whether the target is still ahead at a time.
func (r *ramp) moving(now int64) bool { return now < r.end }

// horizon returns the end of the ramp, or Never.
func (r *ramp) horizon(now int64) int64 {
	if r.moving(now) {
		return r.end
	}
	return Never
}
