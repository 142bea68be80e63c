package pulse

import (
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/stat/distuv"
)

// Ripple is the alternating part of a trace, its straight line taken off. Ripple without the bandwidth it was measured in means
// nothing, so it stands in the result.
type Ripple struct {
	BandwidthHertz float64 // as the caller states it
	// Undersampled says that the samples cannot show that bandwidth: their rate is less than twice of it.
	Undersampled bool
	// PeakToPeak is the greatest sample less the least: ripple and noise, as data sheets have it. It grows with the length of the
	// trace; a second or a thousand cycles are usual.
	PeakToPeak Figure
	RMS        Figure // of ripple and noise, over whole cycles
	// Frequency of the strongest component, and its amplitude (peak, not peak to peak).
	Frequency, Component Figure
	// Periodic is the peak-to-peak value of the mean cycle: what repeats, without the noise.
	Periodic Figure
	Cycles   float64 // of the strongest component in the trace
	Noise    float64 // RMS of what does not repeat with it
}

const (
	transformed = 1 << 20 // samples that are looked at for the frequency, at most
	mostPhases  = 128     // bins of the mean cycle
)

// RippleOf finds the figures of ripple. bandwidthHertz is that of the measurement (of probe and digitiser together).
//
// The frequency is found in the spectrum under a Hann window, by the ratio of the two strongest neighbours, and refined by a
// least-squares fit of a sine with offset (four parameters, as IEEE Std 1057 has it). Its uncertainty is the bound of Cramer
// and Rao for what the fit leaves, var f = 6 s^2 / (pi^2 A^2 dt^2 n^3) (from memory); harmonics count as noise there, which
// makes it wide.
func RippleOf[T Sample](tr Trace[T], bandwidthHertz float64) (Ripple, error) {
	s, err := tr.check(64)
	if err != nil {
		return Ripple{}, err
	}
	if !(bandwidthHertz > 0) || math.IsInf(bandwidthHertz, 0) {
		return Ripple{}, fmt.Errorf("the bandwidth is %g Hz; state that of the measurement", bandwidthHertz)
	}
	r := Ripple{BandwidthHertz: bandwidthHertz, Undersampled: 1/tr.IntervalSeconds < 2*bandwidthHertz}
	w := waveOf(tr, s)
	n := len(w.y)
	whole := restOf(w.y, 0, n)
	sine, found := w.strongest(whole)
	used := n
	if found {
		r.Cycles = sine.omega * float64(n) / (2 * math.Pi)
		used = max(2, min(n, int(math.Round(math.Floor(r.Cycles)*2*math.Pi/sine.omega))))
		r.Noise = w.fold(&r, sine, whole)
	} else {
		r.Frequency, r.Component, r.Periodic = missing(NoRipple), missing(NoRipple), missing(NoRipple)
		r.Noise = rmsAbout(w.y, whole, n)
	}
	code := w.step / math.Sqrt(12)
	// the greatest of n normal values scatters by about a third of their standard deviation
	r.PeakToPeak = figure(s.greatest-s.least, math.Sqrt2*math.Hypot(r.Noise/3, code))
	rms := rmsAbout(w.y, whole, used)
	part := r.Noise * r.Noise
	own := math.Sqrt(2*part*part+4*max(0, rms*rms-part)*part) / math.Sqrt(float64(used))
	r.RMS = figure(0, 0)
	if rms > 0 {
		r.RMS = figure(rms, math.Hypot(own/(2*rms), w.step*w.step/24/rms))
	}
	return r, nil
}

// rmsAbout is the root mean square of the first samples about a straight line.
func rmsAbout[T Sample](y []T, line rest, used int) float64 {
	var sum, mean float64
	slope, base := line.ramp()
	for i, v := range y[:used] {
		d := float64(v) - base - slope*float64(i)
		sum += d * d
		mean += d
	}
	mean /= float64(used)
	return math.Sqrt(max(0, sum/float64(used)-mean*mean))
}

// ramp is the straight line of a stretch as slope per sample and value at sample 0.
func (r rest) ramp() (slope, base float64) {
	base = r.line(0)
	return r.line(1) - base, base
}

// sine is a component a cos(omega i) + b sin(omega i) about an offset.
type sine struct {
	omega, a, b, offset float64
	residual            float64 // RMS
}

// strongest finds the strongest component; found is false where it does not stand out of the spectrum.
func (w *wave[T]) strongest(line rest) (s sine, found bool) {
	n := min(len(w.y), transformed)
	n = 1 << (bitsOf(n) - 1) // a power of two: other lengths are slow
	slope, base := line.ramp()
	windowed := make([]float64, n)
	turn := 2 * math.Pi / float64(n)
	for i := range windowed {
		windowed[i] = (float64(w.y[i]) - base - slope*float64(i)) * (0.5 - 0.5*math.Cos(turn*float64(i)))
	}
	spectrum := fourier.NewFFT(n).Coefficients(nil, windowed)
	power := make([]float64, len(spectrum))
	best := 2
	for k, c := range spectrum {
		power[k] = real(c)*real(c) + imag(c)*imag(c)
		if k > 2 && k < len(spectrum)-1 && power[k] > power[best] {
			best = k
		}
	}
	if best+1 >= len(power) || !(power[best] > 0) {
		return s, false
	}
	// the power of noise in a bin is exponential: the largest of n/2 passes this less than once in a thousand traces
	sample := make([]float64, 0, 2*scatterSamples)
	for k := 2; k < len(power); k += 1 + len(power)/scatterSamples {
		sample = append(sample, power[k])
	}
	floor := median(sample) / math.Ln2
	if power[best] < floor*(math.Log(float64(n)/2)+7) {
		return s, false
	}
	side, sign := power[best+1], 1.0
	if power[best-1] > side {
		side, sign = power[best-1], -1
	}
	ratio := math.Sqrt(side / power[best])
	s.omega = turn * (float64(best) + sign*(2*ratio-1)/(1+ratio))
	for range 4 {
		step, ok := w.refineSine(&s, slope, base)
		if !ok {
			return s, false
		}
		if math.Abs(step)*float64(len(w.y)) < 1e-5 {
			break
		}
	}
	return s, s.omega > 0 && s.omega < math.Pi
}

func bitsOf(n int) int {
	k := 0
	for ; n > 0; n >>= 1 {
		k++
	}
	return k
}

// refineSine is one Gauss-Newton step of a fit with offset, two amplitudes and frequency over all samples. Places count from the
// middle of the trace, where phase and frequency are independent.
func (w *wave[T]) refineSine(s *sine, slope, base float64) (step float64, ok bool) {
	n := len(w.y)
	middle := float64(n-1) / 2
	var normal [4][5]float64
	var squares float64
	turn := cmplx.Rect(1, s.omega)
	phase := complex(0, 0)
	for i, v := range w.y {
		if i%256 == 0 { // rounding of the turns does not pile up
			phase = cmplx.Rect(1, s.omega*(float64(i)-middle))
		}
		c, d := real(phase), imag(phase)
		t := (float64(i) - middle) / middle
		y := float64(v) - base - slope*float64(i)
		row := [4]float64{1, c, d, t * (s.b*c - s.a*d)}
		for j := range row {
			for k := j; k < 4; k++ {
				normal[j][k] += row[j] * row[k]
			}
			normal[j][4] += row[j] * y
		}
		squares += y * y
		phase *= turn
	}
	size := 4
	if s.a == 0 && s.b == 0 {
		size = 3 // amplitudes first
	}
	solved, ok := symmetric(&normal, size)
	if !ok {
		return 0, false
	}
	rest := squares
	for j := range size {
		rest -= solved[j] * normal[j][4]
	}
	s.residual = math.Sqrt(max(0, rest) / float64(n))
	s.offset, s.a, s.b = solved[0], solved[1], solved[2]
	if size == 3 {
		return 1, true
	}
	step = solved[3] / middle
	s.omega += step
	return step, true
}

// symmetric solves normal equations given by their upper half, the right side in column 4.
func symmetric(upper *[4][5]float64, size int) (x [4]float64, ok bool) {
	var m [4][5]float64
	for j := range size {
		for k := range size {
			m[j][k] = upper[min(j, k)][max(j, k)]
		}
		m[j][4] = upper[j][4]
	}
	for c := range size {
		if !(m[c][c] > 0) {
			return x, false
		}
		for r := c + 1; r < size; r++ {
			f := m[r][c] / m[c][c]
			for k := c; k < 5; k++ {
				m[r][k] -= f * m[c][k]
			}
		}
	}
	for r := size - 1; r >= 0; r-- {
		x[r] = m[r][4]
		for k := r + 1; k < size; k++ {
			x[r] -= m[r][k] * x[k]
		}
		x[r] /= m[r][r]
	}
	return x, true
}

// fold averages all cycles into one and gives the RMS of what is left of the samples.
func (w *wave[T]) fold(r *Ripple, s sine, line rest) float64 {
	n := float64(len(w.y))
	amplitude := math.Hypot(s.a, s.b)
	r.Frequency = figure(s.omega/(2*math.Pi*w.interval), math.Sqrt(6/(n*n*n))*s.residual/(math.Pi*amplitude*w.interval))
	r.Component = figure(amplitude, s.residual*math.Sqrt(2/n))
	phases := int(min(mostPhases, max(4, n/16)))
	sums, squares, counts := make([]float64, phases), make([]float64, phases), make([]float64, phases)
	slope, base := line.ramp()
	scale := s.omega / (2 * math.Pi)
	for i, v := range w.y {
		turns := scale * float64(i)
		k := int((turns - math.Floor(turns)) * float64(phases))
		k = min(k, phases-1)
		y := float64(v) - base - slope*float64(i)
		sums[k] += y
		squares[k] += y * y
		counts[k]++
	}
	means, within, fewest := make([]float64, 0, phases), 0.0, n
	for k := range phases {
		if counts[k] == 0 {
			continue
		}
		mean := sums[k] / counts[k]
		means = append(means, mean)
		within += squares[k] - mean*sums[k]
		fewest = min(fewest, counts[k])
	}
	left := math.Sqrt(max(0, within) / n)
	own := left / math.Sqrt(fewest)
	high, low := greatestOf(means, 1, own), greatestOf(means, -1, own)
	// a bin smears what is steeper than itself: two bins of a sawtooth that runs through all of them
	r.Periodic = figure(high-low, math.Hypot(math.Sqrt2*own, (high-low)/float64(phases)))
	return left
}

// greatestOf is the greatest (sign 1) or the least (-1) of noisy means, without what noise adds by the choice: the expectation of
// the largest of as many normal values as there are means within one and a half standard deviations of it (Blom's formula).
func greatestOf(means []float64, sign, sd float64) float64 {
	best := math.Inf(-1)
	for _, m := range means {
		best = max(best, sign*m)
	}
	rivals := 0.0
	for _, m := range means {
		if sign*m > best-1.5*sd {
			rivals++
		}
	}
	if rivals > 1 {
		best -= sd * distuv.UnitNormal.Quantile((rivals-0.375)/(rivals+0.25))
	}
	return sign * best
}
