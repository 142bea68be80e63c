package drain

import "math"

const trackReach = 0.25 // of the floor, from one piece of the track to the next

// track is where the floor was all along: the lowest mean of a whole tile in each piece of the recording, as far as it hangs together
// with pieces whose lowest mean lies in the mode of the floor. NaN elsewhere.
type track struct {
	amps []float64
	each int64
}

func (s *scan) track(f *floor) track {
	t := track{make([]float64, len(s.baseline)), s.each}
	for i, b := range s.baseline {
		if t.amps[i] = math.NaN(); float64(b) >= f.low && float64(b) <= f.high {
			t.amps[i] = float64(b)
		}
	}
	grow := func(i, from int) {
		b, near := float64(s.baseline[i]), t.amps[from]
		if math.IsNaN(t.amps[i]) && math.Abs(b-near) <= max(f.delta, trackReach*math.Abs(near)) {
			t.amps[i] = b
		}
	}
	for i := 1; i < len(t.amps); i++ {
		grow(i, i-1)
	}
	for i := len(t.amps) - 2; i >= 0; i-- {
		grow(i, i+1)
	}
	return t
}

// start is the floor at the first place from index on where it is known; ok is false where it is known nowhere.
func (t track) start(index int64) (amps float64, ok bool) {
	for i, b := range t.amps {
		if (int64(i)+1)*t.each > index && !math.IsNaN(b) {
			return b, true
		}
	}
	return 0, false
}

// near tells whether a current may be the floor at an index.
func (t track) near(index int64, amps, within float64) bool {
	at := int(index / t.each)
	low, high := math.Inf(1), math.Inf(-1)
	for i := max(0, at-1); i <= min(at+1, len(t.amps)-1); i++ {
		if b := t.amps[i]; !math.IsNaN(b) {
			low, high = min(low, b), max(high, b)
		}
	}
	return amps >= low-within && amps <= high+within
}
