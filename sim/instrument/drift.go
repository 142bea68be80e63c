package instrument

import "fourwire/sim/device"

// drifted is the factor that the set current has wandered to: evenly, from the time that the input went on.
func (l *input) drifted(at int64) float64 {
	if l.spec.Drift == 0 || !l.on {
		return 1
	}
	return max(0, 1+l.spec.Drift*float64(at-l.onSince)*1e-9)
}

// drifting tells whether the current moves by itself.
func (l *input) drifting() bool { return l.spec.Drift != 0 && l.on && l.mode == device.HoldAmps }
