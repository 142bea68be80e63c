package pulse

import (
	"fmt"
	"math"
	"slices"
)

// OverloadOptions say what is known of an overload besides its samples.
type OverloadOptions struct {
	// LastsSeconds is how long the overload lasts, as who makes it knows, and LastsU by how much it may be off; 0: the samples alone tell.
	LastsSeconds, LastsU float64
	Band                 float64 // about the voltage before, a share of it, in which the output has recovered; 0 is 0.02
}

// Overload is how an output bears a short circuit or another overload, and how it comes back. Definitions: common practice of short-circuit recovery
// tests, no standard.
type Overload struct {
	Before Figure // V: the median of what comes before
	Begins Figure // instant at which the current passes half of its way up, s of the trace's time
	// Released is the instant at which the overload has gone: between the last sample that shows it and the first that shows the output free
	// of it, and where it is known from elsewhere within that, too.
	Released Figure
	Lasts    Figure // from one to the other
	Peak     Figure // A: the largest sample, discharge of the output capacitor included
	PeakAt   Figure
	// Threshold is between the last current at which the output held its voltage and the next, at which it left the band, A; missing where the current
	// jumps by more than a fifth there.
	Threshold Figure
	Limit     Figure // A: the median of the current while it flows, in the later half of that
	Low       Figure // V: that of the voltage meanwhile
	Limiting  Figure // s: from Begins until the current stays within a tenth of Limit
	Trip      Figure // s: from Begins until the current stops for the first time while the overload lasts; missing where it does not
	Mean      Figure // A: over the whole overload
	Starts    int    // how often the current began to flow again while the overload lasted
	Period    Figure // s: from one such start to the next
	Flows     bool   // current flowed to the end of the overload
	Returns   Figure // 1: the output is back within the band at the end of the trace; 0: it is not
	Recovery  Figure // s: from Released to the last entry into the band
	// Overshoot is the farthest above Before once the overload has gone, a share of it.
	Overshoot Figure
	Final     Figure // V: the median of the last tenth of the trace
}

const (
	limitBand   = 0.1  // about Limit, in which the current has reached it; own choice
	flowing     = 0.02 // of the peak: less is no current; above eight times its noise, too
	leastGap    = 4    // samples without current between two starts
	mostOhms    = 3    // times the resistance of the overload: more is none; own choice
	overloadFor = 8    // samples: less shows nothing
)

// The reasons of an overload.
const (
	NoOverload  Reason = "no overload is seen: the current does not stand out, or nothing comes before it"
	StillThere  Reason = "the trace ends before the overload is seen to be gone, and when that was is not known"
	EndsTooSoon Reason = "the trace ends before the next start could come; record longer"
	NoTrip      Reason = "the current flows until the overload has gone"
	Jumps       Reason = "the current jumps by more than a fifth where the output leaves the band: raise it in small steps"
	StaysAway   Reason = "the output does not come back into the band"
)

// OverloadOf finds the figures of one overload. amps are samples at the same instants as those of volts.
func OverloadOf[T Sample](volts Trace[T], amps []T, o OverloadOptions) (Overload, error) {
	sv, err := volts.check(leastSamples)
	if err != nil {
		return Overload{}, err
	}
	if len(amps) != len(volts.Samples) {
		return Overload{}, fmt.Errorf("%d samples of amps beside %d of volts; both must be taken together", len(amps), len(volts.Samples))
	}
	other := Trace[T]{Samples: amps, IntervalSeconds: volts.IntervalSeconds, StartSeconds: volts.StartSeconds}
	si, err := other.check(leastSamples)
	if err != nil {
		return Overload{}, err
	}
	band := o.Band
	if band == 0 {
		band = 0.02
	}
	if !(band > 0 && band < 1) {
		return Overload{}, fmt.Errorf("the band is %g of the voltage before; it must lie between 0 and 1", band)
	}
	l := overload[T]{v: waveOf(volts, sv), i: waveOf(other, si), options: o, band: band}
	return l.find(si.greatest), nil
}

// overload is what is known on the way.
type overload[T Sample] struct {
	v, i     *wave[T]
	options  OverloadOptions
	band     float64
	before   level   // V
	begin    int     // first sample of the overload
	least    float64 // A: less is no current
	ohms     float64 // between those of the overload and those without it
	from, to float64 // samples between which it went away
	bursts   [][2]int
	out      Overload
}

func (l *overload[T]) find(greatest float64) Overload {
	r := &l.out
	none := missing(NoOverload)
	*r = Overload{Before: none, Begins: none, Released: none, Lasts: none, Peak: none, PeakAt: none, Threshold: none, Limit: none, Low: none, Limiting: none, Trip: none, Mean: none, Period: missing(NoSecond),
		Returns: none, Recovery: none, Overshoot: none, Final: none}
	at := int(math.Floor(-l.v.start / l.v.interval)) // samples before the trigger
	if at < leastSamples/2 || at >= len(l.v.y)-overloadFor {
		return *r
	}
	at -= max(1, at/8) // what leads to the event is not before it
	l.before = l.v.middleOf(restOf(l.v.y, 0, at))
	idle := l.i.middleOf(restOf(l.i.y, 0, at))
	l.least = math.Max(idle.x/2, math.Max(flowing*greatest, 8*l.i.scatter()))
	begins := l.i.passes(idle.x+(greatest-idle.x)/2, true, l.i.start)
	if begins.reason != "" || !(l.before.x > 0) || greatest < 2*idle.x || greatest <= l.least {
		return *r
	}
	l.begin = int(math.Ceil(begins.at))
	r.Before, r.Begins = figure(l.before.x, l.before.u), begins.figure(l.i)
	l.look(idle.x)
	if !r.Limit.OK() {
		return *r
	}
	l.release()
	l.currents(begins)
	l.threshold()
	l.recover()
	return *r
}

// look takes the current and the voltage of the overload from where both are sure: from the beginning until what is known, or until the output is up again.
func (l *overload[T]) look(idle float64) {
	r := &l.out
	end := len(l.v.y)
	if o := l.options; o.LastsSeconds > 0 {
		end = min(end, max(l.begin+overloadFor, l.begin+int((o.LastsSeconds-o.LastsU)/l.v.interval)))
	} else {
		for k := l.begin + overloadFor; k < end; k++ { // up again
			if float64(l.v.y[k]) > l.before.x/2 && float64(l.v.y[k-overloadFor/2]) < l.before.x/2 {
				end = k
			}
		}
	}
	var amps, volts []float64
	for k := l.begin; k < end; k++ {
		if float64(l.i.y[k]) > l.least && (float64(l.v.y[k]) < l.before.x*(1-l.band) || float64(l.i.y[k]) > 1.5*idle) { // it may hold its voltage until it trips
			amps, volts = append(amps, float64(l.i.y[k])), append(volts, float64(l.v.y[k]))
		}
	}
	if len(amps) < overloadFor {
		r.Limit, r.Low = missing(TooShort), missing(TooShort)
		return
	}
	// what comes out of the output's capacitor is in the first half; what still moves in the second shows in its own half
	late, latest := len(amps)/2, len(amps)*3/4
	n := math.Sqrt(float64(len(amps) - late))
	limit, low := median(slices.Clone(amps[late:])), median(slices.Clone(volts[late:]))
	moves := func(of []float64, all float64) float64 { return math.Abs(median(slices.Clone(of[latest:]))-all) / 2 }
	r.Limit = figure(limit, math.Hypot(math.Hypot(medianSpread*l.i.corr()/n, moves(amps, limit)), l.i.step/math.Sqrt(12)))
	r.Low = figure(low, math.Hypot(math.Hypot(medianSpread*l.v.corr()/n, moves(volts, low)), l.v.step/math.Sqrt(12)))
	short, free := math.Max(low, l.v.scatter())/limit, l.before.x/math.Max(idle, limit/100)
	l.ohms = math.Min(math.Sqrt(short*free), mostOhms*short) // a load that holds a current is a small resistance, too, while the output comes up
}

// there tells whether a sample shows the overload, or that it has gone. Without current, and without voltage, it shows neither.
func (l *overload[T]) there(k int) (shows, gone bool) {
	volts, amps := float64(l.v.y[k]), float64(l.i.y[k])
	if amps > l.least && volts < l.ohms*amps {
		return true, false
	}
	return false, volts > math.Max(l.out.Low.X+8*l.v.scatter(), l.before.x/50) && volts > l.ohms*math.Max(amps, 0)
}

// release finds between which samples the overload went away.
func (l *overload[T]) release() {
	r := &l.out
	last, free := l.begin, -1
	settled := l.begin + overloadFor // the voltage has to come down first
	for k := l.begin; k < len(l.v.y); k++ {
		switch shows, gone := l.there(k); {
		case shows && (free < 0 || float64(l.v.y[k]) < l.before.x/2):
			last, free = k, -1
		case gone && free < 0 && k > settled:
			free = k
		}
	}
	l.from, l.to = float64(last), float64(free)
	o := l.options
	if o.LastsSeconds > 0 {
		early, late := float64(l.begin)+(o.LastsSeconds-o.LastsU)/l.v.interval, float64(l.begin)+(o.LastsSeconds+o.LastsU)/l.v.interval
		if free < 0 {
			l.to = late
		}
		if early < l.to && late > l.from { // what the samples show stands where the two do not meet
			l.from, l.to = math.Max(l.from, early), math.Min(l.to, late)
		}
	} else if free < 0 {
		r.Released, r.Lasts = missing(StillThere), missing(StillThere)
		l.from, l.to = float64(last), float64(len(l.v.y)-1)
		return
	}
	half := (l.to - l.from) / 2 * l.v.interval
	r.Released = figure(l.v.seconds((l.from+l.to)/2), half/math.Sqrt(3))
	r.Lasts = Figure{X: r.Released.X - r.Begins.X, U: math.Hypot(r.Released.U, r.Begins.U)}
}

// currents works the figures of the current out.
func (l *overload[T]) currents(begins crossing) {
	r := &l.out
	end := min(len(l.i.y)-1, int(math.Ceil((l.from+l.to)/2)))
	quiet := leastGap
	sum := 0.0
	peak, peakAt := math.Inf(-1), l.begin
	for k := l.begin; k <= end; k++ {
		x := float64(l.i.y[k])
		sum += x
		if x > peak {
			peak, peakAt = x, k
		}
		if x <= l.least {
			quiet++
			continue
		}
		if quiet >= leastGap {
			l.bursts = append(l.bursts, [2]int{k, k})
		}
		l.bursts[len(l.bursts)-1][1] = k
		quiet = 0
	}
	n := float64(end - l.begin + 1)
	// a peak of a few samples may lie between two of them: how much is open shows in its neighbours
	next := 0.0
	for _, k := range []int{peakAt - 1, peakAt + 1} {
		if k >= 0 && k < len(l.i.y) {
			next = math.Max(next, float64(l.i.y[k]))
		}
	}
	r.Peak = figure(peak, math.Hypot(l.i.scatter(), (peak-next)/4))
	r.PeakAt = figure(l.i.seconds(float64(peakAt)), l.i.interval/2)
	r.Limiting = missing(NotSettled)
	if len(l.bursts) == 0 {
		r.Mean = r.Limiting
		return
	}
	r.Flows = int(l.from)-l.bursts[len(l.bursts)-1][1] < leastGap && l.to-l.from < leastGap
	open := 0.0 // of the mean, by when the overload ended: nothing is added to what flowed
	if !r.Flows {
		open = math.Abs(sum/n) * (l.to - l.from) / 2 / math.Sqrt(3) / n
	}
	edge := math.Abs(peak) / math.Sqrt(12) / n // the beginning lies between two samples
	r.Mean = figure(sum/n, math.Hypot(math.Hypot(l.i.corr()/math.Sqrt(n), edge), open))
	first := l.bursts[0]
	if r.Trip = missing(NoTrip); len(l.bursts) > 1 || !r.Flows {
		r.Trip = figure(l.i.interval*(float64(first[1])+0.5-begins.at), l.i.interval*math.Hypot(1/math.Sqrt(12), math.Hypot(begins.noise, begins.form)))
	}
	last := first[1] - max(leastGap, (first[1]-l.begin)/50) // its end is no part of how it begins
	if s := l.i.settle(l.begin, last, r.Limit.X, limitBand*r.Limit.X, r.Limit.U/2, float64(last-l.begin)/50); last-l.begin > overloadFor {
		if r.Limiting = missing(s.reason); s.reason == "" {
			r.Limiting = figure(l.i.interval*math.Max(0, s.at-begins.at), l.i.interval*math.Hypot(s.u, math.Hypot(begins.noise, begins.form)))
		}
	}
	if r.Starts = len(l.bursts) - 1; r.Starts > 0 {
		from := min(1, r.Starts-1) // the first begins at full voltage, the others as the device starts
		count := float64(r.Starts - from)
		r.Period = figure(l.i.interval*float64(l.bursts[r.Starts][0]-l.bursts[from][0])/count, l.i.interval/math.Sqrt(6)/count)
	}
}

// recover looks at what comes once the overload has gone.
func (l *overload[T]) recover() {
	r := &l.out
	last := len(l.v.y) - 1
	tail := l.v.middleOf(restOf(l.v.y, last-last/10, last+1))
	r.Final = figure(tail.x, tail.u)
	off, width := math.Abs(tail.x-l.before.x), l.band*l.before.x
	rest := l.v.interval * (float64(last) - l.to)
	switch {
	case off <= width:
		r.Returns = Figure{X: 1}
	case !r.Released.OK():
		r.Returns = r.Released
	case r.Period.OK() && rest < 1.5*r.Period.X:
		r.Returns = missing(EndsTooSoon)
	default:
		r.Returns = Figure{}
	}
	if r.Recovery = missing(StaysAway); r.Returns.X != 1 || !r.Returns.OK() {
		r.Overshoot = r.Recovery
		return
	}
	from := int(math.Floor(l.from))
	middle := (l.from + l.to) / 2
	switch s := l.v.settle(from, last, l.before.x, width, l.before.u, math.Max(16, float64(last-from))/50); {
	case !r.Released.OK():
		r.Recovery = r.Released
	case s.reason != "":
		r.Recovery = missing(s.reason)
	default:
		r.Recovery = figure(l.v.interval*math.Max(0, s.at-middle), l.v.interval*math.Hypot(s.u, (l.to-l.from)/2/math.Sqrt(3)))
	}
	up := last
	for k := from; k <= last; k++ {
		if float64(l.v.y[k]) >= l.before.x-width {
			up = k
			break
		}
	}
	above := l.v.excursion(up, last, l.before.x, 1, (last-up)/8)
	r.Overshoot = figure(above.size/l.before.x, math.Hypot(above.u, l.before.u)/l.before.x)
}

// threshold looks at the step of the current behind which the output left its band.
func (l *overload[T]) threshold() {
	r := &l.out
	left := -1
	least, scatter := l.before.x*(1-l.band), 6*l.v.scatter()
	for k := l.begin; k < len(l.v.y) && left < 0; k++ {
		if v := float64(l.v.y[k]); v < least-scatter || v < least && k+1 < len(l.v.y) && float64(l.v.y[k+1]) < v {
			left = k
		}
	}
	if r.Threshold = missing(NotReached); left < 0 {
		return
	}
	next := restOf(l.i.y, max(0, left-2), left+1).mean
	dead := math.Max(6*l.i.scatter(), 2e-3*math.Abs(next))
	k := left
	for k > 0 && float64(l.i.y[k]) > next-dead {
		k--
	}
	if r.Threshold = missing(Jumps); k < heldFor+4 {
		return
	}
	held := restOf(l.i.y, k-heldFor+1, k+1).mean
	if next > 1.2*held {
		return
	}
	r.Threshold = figure((held+next)/2, math.Hypot((next-held)/2/math.Sqrt(3), l.i.corr()/math.Sqrt(heldFor)))
}

// heldFor is how many samples show a level of the current that was held.
const heldFor = 8
