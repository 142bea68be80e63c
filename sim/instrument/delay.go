package instrument

// delay is a protection that acts when its condition has held for a span without a break.
type delay struct {
	span  int64 // ns
	due   int64 // ns
	armed bool
}

// see takes note of the condition at a time and tells whether the delay is over.
func (d *delay) see(condition bool, now int64) bool {
	switch {
	case !condition:
		d.armed = false
	case !d.armed:
		d.armed, d.due = true, now+d.span
	}
	return d.armed && now >= d.due
}

func (d *delay) horizon() int64 {
	if d.armed {
		return d.due
	}
	return Never
}
