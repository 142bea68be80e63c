package plan

import (
	"math"

	"fourwire/driver/model"
)

// parts are the standard uncertainties of one reading, in SI units.
type parts struct{ gain, offset, noise, resolution, temperature float64 }

func (p parts) expanded() float64 {
	return 2 * math.Sqrt(p.gain*p.gain+p.offset*p.offset+p.noise*p.noise+p.resolution*p.resolution+p.temperature*p.temperature)
}

// accuracy predicts the uncertainty of a reading of x at the default aperture, from the specification: limits are taken as
// rectangular, u = a/sqrt(3) (JCGM 100:2008, 4.3.7), the resolution q as q/sqrt(12) (the same, F.2.2.1).
func accuracy(a model.Accuracy, x, ambientKelvin float64) parts {
	divisor := math.Sqrt(3)
	if a.Coverage == model.TwoSigma {
		divisor = 2
	}
	outside := 0.0
	if ambientKelvin > 0 && a.BandHigh > 0 {
		outside = math.Max(0, math.Max(ambientKelvin-a.BandHigh, a.BandLow-ambientKelvin))
	}
	noise := a.Noise
	if a.NoiseAperture > 0 {
		noise *= math.Sqrt(a.NoiseAperture / DefaultAperture.Seconds())
	}
	return parts{
		gain:        a.Gain * math.Abs(x) / divisor,
		offset:      a.Offset / divisor,
		noise:       math.Max(noise, a.NoiseFloor),
		resolution:  a.Resolution / math.Sqrt(12),
		temperature: outside * (a.GainPerKelvin*math.Abs(x) + a.OffsetPerKelvin) / divisor,
	}
}
