package model

import "math"

// AmpsAt is the largest current that a source delivers at a voltage; 0 where it does not reach that voltage.
func (s *SourceSpec) AmpsAt(volts float64) float64 {
	if !s.Volts.Holds(volts) {
		return 0
	}
	amps := s.Amps.High
	if s.MaxWatts > 0 && volts != 0 {
		amps = math.Min(amps, s.MaxWatts/math.Abs(volts))
	}
	return amps
}

// AmpsAt is the largest current that a load carries at a voltage between its terminals: its rating, its power, and the lowest line
// of operation, below which the voltage leaves it no headroom.
func (l *LoadSpec) AmpsAt(volts float64) float64 {
	if volts > l.Volts.High || volts < l.MinVolts {
		return 0
	}
	amps := l.Amps.High
	if l.MaxWatts > 0 && volts > 0 {
		amps = math.Min(amps, l.MaxWatts/volts)
	}
	if l.MinOhms > 0 {
		amps = math.Min(amps, volts/l.MinOhms)
	}
	return math.Max(0, amps)
}

// MinVoltsAt is the lowest voltage at which a load carries a current: max(V0, I Ron).
func (l *LoadSpec) MinVoltsAt(amps float64) float64 { return math.Max(l.MinVolts, amps*l.MinOhms) }

// LevelRange gives the smallest range for a level of constant current; 0 where there is one range only.
func (l *LoadSpec) LevelRange(amps float64) float64 {
	for _, full := range l.AmpsRanges {
		if amps <= full {
			return full
		}
	}
	if n := len(l.AmpsRanges); n > 0 {
		return l.AmpsRanges[n-1]
	}
	return 0
}
