package pulse

import "math"

// CombinedDuration is about how long the transition takes behind several stages in a row: the root of the sum of the squares of
// their 10-90 % durations. It is exact for Gaussian stages, and 7.5 % low for two equal single poles.
func CombinedDuration(seconds ...float64) float64 {
	var sum float64
	for _, s := range seconds {
		sum += s * s
	}
	return math.Sqrt(sum)
}

// OwnDuration takes the transition duration of the instrument off a measured one, in the sense of [CombinedDuration]. It is
// missing where the measured one is no longer than the instrument's: then only a bound is known.
func OwnDuration(seen Figure, instrumentSeconds float64) Figure {
	if !seen.OK() {
		return seen
	}
	square := seen.X*seen.X - instrumentSeconds*instrumentSeconds
	if !(square > 0) {
		return missing(TooShort)
	}
	own := math.Sqrt(square)
	return Figure{X: own, U: seen.U * seen.X / own}
}
