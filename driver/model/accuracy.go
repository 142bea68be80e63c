package model

import "math"

// Contributions are the parts of a reading's standard uncertainty, in the SI unit of the reading. Gain parts have the sign of the
// reading, so that they cancel where two readings share them.
type Contributions struct {
	Gain, Offset, Noise, Quantisation  float64
	TemperatureGain, TemperatureOffset float64
	AgeGain, AgeOffset                 float64
}

// Conditions are what the accuracy of a reading depends on besides its value.
type Conditions struct {
	ApertureSeconds float64
	AmbientKelvin   float64 // 0: inside the calibration band
	AgeSeconds      float64 // since the calibration; 0: inside the interval, or not known
}

// At gives the contributions for a reading x under some conditions. Beyond the calibration interval gain and offset are taken to wander on at
// the pace that their limits allow within it: at an age of twice the interval as much again, as inputs of their own. No standard says how much; it is
// the straight continuation of a one-year column.
func (r Range) At(x float64, c Conditions) Contributions {
	out := r.Contributions(x, c.ApertureSeconds, c.AmbientKelvin)
	if interval := r.Accuracy.IntervalSeconds; interval > 0 && c.AgeSeconds > interval {
		beyond := c.AgeSeconds/interval - 1
		out.AgeGain, out.AgeOffset = beyond*out.Gain, beyond*out.Offset
	}
	return out
}

// Contributions gives them for a reading x that was integrated for apertureSeconds at an ambient temperature; 0 K is inside the
// calibration band. A limit a is taken for rectangular, a/sqrt(3) (JCGM 100:2008, 4.3.7), a resolution q gives q/sqrt(12) (the
// same, F.2.2.1), and noise goes with one over the square root of the aperture, down to the floor.
func (r Range) Contributions(x, apertureSeconds, ambientKelvin float64) Contributions {
	a := r.Accuracy
	divisor := math.Sqrt(3)
	if a.Coverage == TwoSigma {
		divisor = 2
	}
	outside := a.kelvinOutside(ambientKelvin)
	return Contributions{
		Gain:              a.Gain * x / divisor,
		Offset:            a.Offset / divisor,
		Noise:             a.NoiseAt(apertureSeconds),
		Quantisation:      a.Resolution / math.Sqrt(12),
		TemperatureGain:   outside * a.GainPerKelvin * x / divisor,
		TemperatureOffset: outside * a.OffsetPerKelvin / divisor,
	}
}

// NoiseAt is the standard deviation of a reading at an aperture.
func (a Accuracy) NoiseAt(apertureSeconds float64) float64 {
	noise := a.Noise
	if a.NoiseAperture > 0 && apertureSeconds > 0 {
		noise *= math.Sqrt(a.NoiseAperture / apertureSeconds)
	}
	return math.Max(noise, a.NoiseFloor)
}

func (a Accuracy) kelvinOutside(ambientKelvin float64) float64 {
	if ambientKelvin <= 0 || a.BandHigh <= 0 {
		return 0
	}
	return math.Max(0, math.Max(ambientKelvin-a.BandHigh, a.BandLow-ambientKelvin))
}

// Std is the standard uncertainty of all parts together.
func (c Contributions) Std() float64 {
	return math.Sqrt(c.Gain*c.Gain + c.Offset*c.Offset + c.Noise*c.Noise + c.Quantisation*c.Quantisation +
		c.TemperatureGain*c.TemperatureGain + c.TemperatureOffset*c.TemperatureOffset + c.AgeGain*c.AgeGain + c.AgeOffset*c.AgeOffset)
}

// Holds tells whether a range can show a value.
func (r Range) Holds(x float64) bool { return math.Abs(x) <= r.Full*(1+r.Over) }

// Pick gives the smallest of some ascending ranges whose nominal full scale holds x, else the largest; NaN wants the largest. There
// must be at least one range.
func Pick(ranges []Range, x float64) Range {
	for _, r := range ranges {
		if math.Abs(x) <= r.Full {
			return r
		}
	}
	return ranges[len(ranges)-1]
}
