package instrument

import "slices"

// alarm is something that an instrument does by itself at a time.
type alarm struct {
	at  int64 // ns
	act func(now int64)
}

// wakeAt has something done at a time. It can be cancelled.
func (in *Instrument) wakeAt(at int64, act func(now int64)) *alarm {
	a := &alarm{at, act}
	in.alarms = append(in.alarms, a)
	in.world.Wake(in.spec.Name, at)
	return a
}

// cancel takes an alarm back; nil, and one that has gone off, are nothing to take back.
func (in *Instrument) cancel(a *alarm) {
	if i := slices.Index(in.alarms, a); i >= 0 {
		in.alarms = slices.Delete(in.alarms, i, i+1)
	}
}

// DueBySelf returns the time at which the instrument does something that no command asked for at that moment: a step of a list, the end of a
// capture, the watchdog. Never where there is nothing.
func (in *Instrument) DueBySelf() int64 {
	next := in.WatchedUntil()
	for _, a := range in.alarms {
		next = min(next, a.at)
	}
	if in.capture.watches() {
		next = min(next, in.world.Now()+watchNs)
	}
	return next
}

// watchNs is how often whoever waits looks at a capture whose trigger cannot be foreseen.
const watchNs = 1_000_000

// ActBySelf does what is due by itself at a time, the earliest first.
func (in *Instrument) ActBySelf(now int64) {
	in.Watch(now)
	for {
		var first *alarm
		for _, a := range in.alarms {
			if a.at <= now && (first == nil || a.at < first.at) {
				first = a
			}
		}
		if first == nil {
			return
		}
		in.cancel(first)
		first.act(now)
	}
}
