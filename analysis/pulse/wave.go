package pulse

import "math"

// Options of an analysis. The zero value takes everything from the trace.
type Options struct {
	// Levels fixes the low and the high state, Low below High, instead of looking for them: for traces that do not rest in both.
	Levels    bool
	Low, High float64
	LevelsU   float64 // their expanded uncertainty
	// References are the shares of the way that time a transition; zero is 0.1, 0.5 and 0.9.
	References [3]float64
	// Band is the half-width of the band about a state in which the signal is settled, as a share of the amplitude; 0 is 0.02.
	Band float64
	// Bins of the histogram; 0 is up to 256, fewer for short traces.
	Bins int
}

func (o Options) references() [3]float64 {
	if o.References == [3]float64{} {
		return [3]float64{0.1, 0.5, 0.9}
	}
	return o.References
}

func (o Options) band() float64 {
	if o.Band == 0 {
		return 0.02
	}
	return o.Band
}

// wave is a trace whose states are known.
type wave[T Sample] struct {
	y         []T
	interval  float64
	start     float64
	step      float64
	low, high level
	noise
	white  float64 // noise between neighbours
	floor  float64 // what no fit can follow better: rounding, the step of the digitiser
	edges  []edge  // coarse, in order of time
	blocks blockSums
}

// edge is a passage from one state to the other, roughly located.
type edge struct {
	rising bool
	before int     // the last sample clearly on the first side
	after  int     // the first sample clearly on the other
	width  float64 // the samples of the whole way at that pace
}

func (e edge) middle() float64 { return float64(e.before+e.after) / 2 }

func (w *wave[T]) amplitude() float64 { return w.high.x - w.low.x }

// scatter is the noise that a fit has to live with.
func (w *wave[T]) scatter() float64 { return math.Hypot(w.sd, w.floor) }

// seconds turns a place counted in samples into an instant.
func (w *wave[T]) seconds(i float64) float64 { return w.start + i*w.interval }

// leastSamples is the shortest trace that is looked at.
const leastSamples = 8

// survey finds states, passages and noise. reason tells why there are no two states; the low level then is that of all.
func surveyOf[T Sample](tr Trace[T], o Options) (w *wave[T], reason Reason, err error) {
	s, err := tr.check(leastSamples)
	if err != nil {
		return nil, "", err
	}
	w = &wave[T]{y: tr.Samples, interval: tr.IntervalSeconds, start: tr.StartSeconds, step: tr.Step}
	w.floor = math.Hypot(tr.Step/math.Sqrt(12), rounding[T]()*max(math.Abs(s.least), math.Abs(s.greatest)))
	w.white = quickNoise(w.y)
	w.noise = noise{sd: w.white, kin: 1}
	if reason = w.states(s, o); reason != "" {
		whole := []rest{restOf(w.y, 0, len(w.y))}
		w.noise = noiseOf(w.y, whole)
		w.low = settledLevel(whole, w.noise, w.step)
		return w, reason, nil
	}
	w.passages()
	w.refine(o)
	return w, "", nil
}

// rounding is the relative rounding of a number format.
func rounding[T Sample]() float64 {
	if one := T(1); one+T(1e-9) == one {
		return 6e-8
	}
	return 1.2e-16
}

// states takes the modes of the histogram, or what the caller states.
func (w *wave[T]) states(s survey, o Options) Reason {
	if o.Levels {
		w.low, w.high = level{o.Low, o.LevelsU / 2}, level{o.High, o.LevelsU / 2}
		return ""
	}
	// a digitiser's own step or a rounding is no second state
	if s.greatest-s.least <= 3*max(w.step, w.floor) {
		return OneState
	}
	bins := o.Bins
	if bins == 0 {
		bins = min(256, max(16, len(w.y)/8*2))
	}
	h := histogramOf(w.y, s.least, s.greatest, bins)
	low, high := h.fullest(0, bins/2), h.fullest(bins/2, bins)
	w.low, w.high = level{x: h.centre(low)}, level{x: h.centre(high)}
	switch {
	case w.amplitude() < 6*w.sd:
		return OneState
	case !h.rests(low, 0, bins/2) || !h.rests(high, bins/2, bins):
		return NoState
	}
	return ""
}

// passages finds where the signal goes from one side of the middle to the other, with a dead zone that noise does not cross.
func (w *wave[T]) passages() {
	middle := (w.low.x + w.high.x) / 2
	dead := min(0.35*w.amplitude(), max(0.15*w.amplitude(), 4*w.sd))
	below, above := T(middle-dead), T(middle+dead)
	share := w.amplitude() / (2 * dead)
	y := w.y
	side := 0
	i := 0
	for ; i < len(y) && side == 0; i++ {
		if y[i] <= below {
			side = -1
		} else if y[i] >= above {
			side = 1
		}
	}
	for i < len(y) {
		if side < 0 {
			for i < len(y) && y[i] < above {
				i++
			}
		} else {
			for i < len(y) && y[i] > below {
				i++
			}
		}
		if i == len(y) {
			return
		}
		e := edge{rising: side < 0, after: i, before: i - 1}
		for e.before > 0 && (e.rising && y[e.before] > below || !e.rising && y[e.before] < above) {
			e.before--
		}
		e.width = max(1, float64(e.after-e.before)*share)
		w.edges = append(w.edges, e)
		side = -side
	}
}

// refine replaces the levels by means over the settled part of each state, and the noise by what these show.
func (w *wave[T]) refine(o Options) {
	var lows, highs []rest
	for k := 0; k <= len(w.edges); k++ {
		from, to := w.quiet(k)
		if to-from < 2 {
			continue
		}
		if r := restOf(w.y, from, to); w.isHigh(k) {
			highs = append(highs, r)
		} else {
			lows = append(lows, r)
		}
	}
	if len(lows)+len(highs) == 0 {
		return
	}
	w.noise = noiseOf(w.y, append(append([]rest(nil), lows...), highs...))
	if o.Levels {
		return
	}
	if len(lows) > 0 {
		w.low = settledLevel(lows, w.noise, w.step)
	}
	if len(highs) > 0 {
		w.high = settledLevel(highs, w.noise, w.step)
	}
}

// isHigh tells in which state the signal rests before edge k, or after the last.
func (w *wave[T]) isHigh(k int) bool {
	if k < len(w.edges) {
		return !w.edges[k].rising
	}
	if len(w.edges) == 0 {
		return math.Abs(float64(w.y[0])-w.high.x) < math.Abs(float64(w.y[0])-w.low.x)
	}
	return w.edges[k-1].rising
}

// quiet is the settled part from..to-1 of the state before edge k: its last third, without the foot of that edge.
func (w *wave[T]) quiet(k int) (from, to int) {
	to = len(w.y)
	if k > 0 {
		from = w.edges[k-1].after
	}
	if k < len(w.edges) {
		to = w.foot(k, from)
	}
	length := to - from
	if k > 0 {
		from = min(from+length*2/3, max(from, to-8))
	}
	return from, to
}

// foot is where edge k begins to leave its state: three times as far from the middle as the last sample that is still off it by
// a twentieth of the amplitude, but no earlier than the middle of the state.
func (w *wave[T]) foot(k, from int) int {
	e := w.edges[k]
	target, margin := w.low.x, 0.05*w.amplitude()+3*w.sd
	if !e.rising {
		target = w.high.x
	}
	i := e.before
	for i > from && math.Abs(float64(w.y[i])-target) > margin {
		i--
	}
	reach := int(math.Ceil(e.middle())) - i
	return max(from+(e.before-from)/2, int(e.middle())-3*reach, min(from+1, e.before))
}
