package scpi

import "math"

// Never is the time, in nanoseconds, of what does not come by itself.
const Never int64 = math.MaxInt64

// Operation is an overlapped operation that has been started and has not ended: a sweep, an acquisition, a slow ramp.
// *OPC, *OPC? and *WAI look at all operations of the device.
type Operation struct {
	device *Device
	end    int64
	onEnd  func(*Operation)
	open   bool
	cut    bool
}

// Begin starts an operation that lasts until End is called.
func (d *Device) Begin() *Operation { return d.BeginUntil(Never, nil) }

// BeginUntil starts an operation that ends by itself at the given time, in nanoseconds, or earlier by End; onEnd, if not
// nil, is called once then. A time that is past ends it at once.
func (d *Device) BeginUntil(at int64, onEnd func(*Operation)) *Operation {
	o := &Operation{device: d, end: at, onEnd: onEnd, open: true}
	d.pending = append(d.pending, o)
	d.nextEnd = min(d.nextEnd, at)
	if at <= d.now {
		o.finish()
	}
	return o
}

// Pending tells whether the operation has not ended.
func (o *Operation) Pending() bool { return o != nil && o.open }

// Aborted tells whether the operation was ended before its time, by End or by *RST.
func (o *Operation) Aborted() bool { return o.cut }

// End ends the operation now; ending it again does nothing.
func (o *Operation) End() {
	if o.Pending() {
		o.cut = true
		o.finish()
	}
}

func (o *Operation) finish() {
	d := o.device
	o.open = false
	for i, p := range d.pending {
		if p == o {
			d.pending = append(d.pending[:i], d.pending[i+1:]...)
			break
		}
	}
	d.nextEnd = Never
	for _, p := range d.pending {
		d.nextEnd = min(d.nextEnd, p.end)
	}
	if o.onEnd != nil {
		o.onEnd(o)
	}
	d.settleComplete()
}

// settleComplete sets the operation complete bit when *OPC has asked for it and nothing is pending.
func (d *Device) settleComplete() {
	if len(d.pending) > 0 {
		return
	}
	for _, s := range d.sessions {
		if s.awaitingOC {
			s.awaitingOC = false
			d.raiseEvent(OPC)
		}
	}
}

// cancelComplete forgets what *OPC asked for, as *CLS and *RST do.
func (d *Device) cancelComplete() {
	for _, s := range d.sessions {
		s.awaitingOC = false
	}
}

// advance ends the operations whose time has come, in order of time.
func (d *Device) advance(now int64) {
	d.now = max(d.now, now)
	for d.nextEnd <= d.now {
		var first *Operation
		for _, o := range d.pending {
			if first == nil || o.end < first.end {
				first = o
			}
		}
		first.finish()
	}
}

// Run advances the device to a time, in nanoseconds, and runs every session until none can go on; it returns the next
// time at which something will happen by itself, or Never. Call it again after input was fed, output was taken or an
// operation was ended from outside.
func (d *Device) Run(now int64) (next int64) {
	d.advance(now)
	for busy := true; busy; {
		busy = false
		for _, s := range d.sessions {
			s.Run(now)
			busy = busy || s.worked
		}
	}
	next = d.nextEnd
	for _, s := range d.sessions {
		next = min(next, s.nextTime())
	}
	return next
}

// Busy tells whether operations are pending.
func (d *Device) Busy() bool { return len(d.pending) > 0 }
