package profile

import (
	"math"
	"sort"
)

// Ability is what a source can do, as its model says it. Zero figures are not stated, and then nothing is held against them.
type Ability struct {
	LowVolts, HighVolts float64
	StepVolts           float64 // of a setting
	SlewUp, SlewDown    float64 // V/s

	Steps       int // of a list; 0: it runs none
	Least, Most float64
	Stays       bool    // it may be left where the wave ends: that is how it stays set anyway
	HostSeconds float64 // from one setting by the computer to the next, at best
}

// Way is how a source is taken through a profile.
type Way string

// The ways.
const (
	ByList Way = "list" // the source's own: its times are its own
	ByHost Way = "host" // setting by setting from the computer
)

// Tolerance is how far from a wave its follower may be and still count as on it.
type Tolerance struct {
	Relative, Volts float64 // of the voltage, and V: the sum of both
	Seconds         float64 // and by how much it may be early or late
}

// Step is one level of a staircase.
type Step struct {
	Seconds float64 // when it begins
	Volts   float64
}

// Edge is a part of a wave that is steeper than the source.
type Edge struct {
	At       float64 // s
	From, To float64 // V
	Asked    float64 // s
	Takes    float64 // s
}

// Following is how a source follows a wave: the staircase that it is given, and what comes of that by its model.
type Following struct {
	By    Way
	Steps []Step
	End   float64 // s: when the last step may be left
	// LowVolts and HighVolts are how far down and up it comes.
	LowVolts, HighVolts float64
	// WorstVolts is the farthest that it is from the wave, the tolerance in time granted, WorstAt where.
	WorstVolts, WorstAt float64
	// OutsideSeconds is how long it is outside the tolerance.
	OutsideSeconds float64
	Edges          []Edge
	Clipped        bool // some of it is beyond what the source can be set to
}

// Exact tells whether it stays inside the tolerance all the time.
func (f Following) Exact() bool { return f.OutsideSeconds == 0 }

// EndsSafe tells whether a wave may be left to a list, which stays at its last level when nobody is there any more: it ends at 0 V, or
// where it began.
func (w Wave) EndsSafe() bool { return w.Last() == 0 || w.Last() == w.First() }

// Nearest works out how a source comes nearest to a wave: by its list where that keeps to the tolerance, else by whatever is outside it for a shorter time.
func Nearest(w Wave, a Ability, t Tolerance) Following {
	host := follow(w, a, t, ByHost, Ability{Steps: mostHostSteps, Least: math.Max(a.HostSeconds, leastHost)})
	if a.Steps < 2 || !w.EndsSafe() && !a.Stays {
		return host
	}
	list := follow(w, a, t, ByList, a)
	if list.Exact() || list.OutsideSeconds <= host.OutsideSeconds {
		return list
	}
	return host
}

// Own choice: the computer sets a source no more often than this in one profile, and no sooner after the last setting than this.
const (
	mostHostSteps = 100_000
	leastHost     = 1e-3 // s
)

// follow makes the staircase of one way, and follows it.
func follow(w Wave, a Ability, t Tolerance, by Way, timing Ability) Following {
	clipped := false
	held := make(Wave, len(w))
	for i, p := range w {
		held[i] = Point{p.Seconds, p.Volts}
		if a.HighVolts > a.LowVolts {
			held[i].Volts = math.Min(math.Max(p.Volts, a.LowVolts), a.HighVolts)
			clipped = clipped || held[i].Volts != p.Volts
		}
	}
	f := Following{By: by, Clipped: clipped, Steps: stairs(held, a.StepVolts, timing), End: held.Seconds()}
	f.Edges = steep(held, a)
	f.judge(w, a, t)
	return f
}

// stairs is the staircase with the lowest steps that the timing allows.
func stairs(w Wave, resolution float64, timing Ability) []Step {
	low, high := w.Span()
	fine := math.Max(resolution/2, (high-low)/4000)
	out, _ := climb(w, fine, timing)
	if len(out) > timing.Steps {
		// half the height of a step: as small as leaves no more steps than there may be
		a, b := fine, math.Max((high-low)/2, fine)
		for range 40 {
			mid := math.Sqrt(a * b)
			if one, _ := climb(w, mid, timing); len(one) > timing.Steps {
				a = mid
			} else {
				b, out = mid, one
			}
		}
		if len(out) > timing.Steps {
			out, _ = climb(w, b, timing)
		}
	}
	for i := range out {
		if resolution > 0 {
			out[i].Volts = math.Round(out[i].Volts/resolution) * resolution
		}
	}
	return out
}

// climb cuts a wave into levels that it is never farther from than half, each as long as a step may be. What it holds for longer than the
// shortest step is a step of its own, at exactly that.
func climb(w Wave, half float64, timing Ability) (steps []Step, end float64) {
	end = w.Seconds()
	begun, low, high := 0.0, w[0].Volts, w[0].Volts
	cut := func(at float64) {
		for timing.Most > 0 && at-begun > timing.Most*(1+1e-12) {
			steps = append(steps, Step{begun, (low + high) / 2})
			begun += timing.Most
		}
		if at > begun {
			steps = append(steps, Step{begun, (low + high) / 2})
		}
		begun = at
	}
	for i := 1; i < len(w); i++ {
		a, b := w[i-1], w[i]
		if holds := a.Volts == b.Volts && b.Seconds-a.Seconds >= timing.Least; holds || a.Seconds == b.Seconds {
			cut(a.Seconds)
			low, high = b.Volts, b.Volts
			if holds {
				cut(b.Seconds)
			}
			continue
		}
		for {
			l, h := math.Min(low, b.Volts), math.Max(high, b.Volts)
			if h-l <= 2*half*(1+1e-9) {
				low, high = l, h
				break
			}
			// where the line leaves the step, and no sooner than a step may end
			leaves := high - 2*half
			if b.Volts > a.Volts {
				leaves = low + 2*half
			}
			at := a.Seconds + (leaves-a.Volts)/(b.Volts-a.Volts)*(b.Seconds-a.Seconds)
			at = math.Min(math.Max(at, begun+timing.Least), b.Seconds)
			v := between(a, b, at)
			low, high = math.Min(low, v), math.Max(high, v)
			cut(at)
			low, high = v, v
			if at >= b.Seconds {
				break
			}
			a = Point{at, v}
		}
	}
	cut(end)
	steps = join(steps, end, timing.Least)
	if last := len(steps) - 1; steps[last].Volts != w.Last() { // a level of its own where the wave ends
		steps = append(steps, Step{end, w.Last()})
	}
	return steps, end
}

// join has steps that are too short give way to their longer neighbour.
func join(steps []Step, end, least float64) []Step {
	length := func(i int) float64 {
		if i+1 < len(steps) {
			return steps[i+1].Seconds - steps[i].Seconds
		}
		return end - steps[i].Seconds
	}
	out := steps[:0:0]
	pending := -1.0 // where the step that is being put together begins
	best, level := 0.0, 0.0
	for i := range steps {
		if pending < 0 {
			pending, best = steps[i].Seconds, 0
		}
		if l := length(i); l >= best {
			best, level = l, steps[i].Volts
		}
		if whole := steps[i].Seconds + length(i) - pending; whole >= least*(1-1e-9) {
			out = append(out, Step{pending, level})
			pending = -1
		}
	}
	if pending >= 0 && len(out) == 0 {
		out = append(out, Step{pending, level})
	}
	return out
}

// steep are the parts of a wave that are steeper than the source, neighbours of one direction together.
func steep(w Wave, a Ability) []Edge {
	var out []Edge
	for i := 1; i < len(w); i++ {
		from, to := w[i-1], w[i]
		slew := a.SlewUp
		if to.Volts < from.Volts {
			slew = a.SlewDown
		}
		needs := 0.0
		if slew > 0 {
			needs = math.Abs(to.Volts-from.Volts) / slew
		}
		if asked := to.Seconds - from.Seconds; needs > asked*(1+1e-9)+1e-9 {
			out = append(out, Edge{from.Seconds, from.Volts, to.Volts, asked, needs})
		}
	}
	return out
}

// trail is what comes of a staircase: at each step the source moves as fast as it can.
func (f *Following) trail(a Ability) Wave {
	now := f.Steps[0].Volts
	out := Wave{{0, now}}
	for i, s := range f.Steps {
		end := f.End
		if i+1 < len(f.Steps) {
			end = f.Steps[i+1].Seconds
		}
		slew := a.SlewUp
		if s.Volts < now {
			slew = a.SlewDown
		}
		if slew <= 0 {
			out = append(out, Point(s))
			now = s.Volts
		} else if s.Volts != now {
			there := s.Seconds + math.Abs(s.Volts-now)/slew
			if there <= end || i+1 == len(f.Steps) {
				out = append(out, Point{s.Seconds, now}, Point{there, s.Volts})
				now = s.Volts
			} else {
				out = append(out, Point{s.Seconds, now})
				now += math.Copysign(slew*(end-s.Seconds), s.Volts-now)
				out = append(out, Point{end, now})
			}
		}
		if end > out[len(out)-1].Seconds {
			out = append(out, Point{end, now})
		}
	}
	return out
}

// Expected is the voltage over time that comes of it by the model.
func (f Following) Expected(a Ability) Wave { return f.trail(a) }

// judge holds what comes of it against what is wanted.
func (f *Following) judge(w Wave, a Ability, t Tolerance) {
	got := f.trail(a)
	f.LowVolts, f.HighVolts = got.Span()
	// between these times both are straight, so that the farthest lies at one of them
	var times []float64
	for _, list := range []Wave{w, got} {
		for _, p := range list {
			times = append(times, p.Seconds)
			if t.Seconds > 0 {
				times = append(times, p.Seconds-t.Seconds, p.Seconds+t.Seconds)
			}
		}
	}
	end := math.Max(w.Seconds(), got.Seconds())
	sort.Float64s(times)
	// how far it is above (below: negative) what is allowed in time, and how much of that is allowed besides
	off := func(at float64) (off, allowed float64) {
		x := got.At(at)
		low, high := w.within(at-t.Seconds, at+t.Seconds)
		if x < low {
			off = x - low
		} else if x > high {
			off = x - high
		}
		return off, t.Relative*math.Abs(w.At(at)) + t.Volts + 1e-9
	}
	for i := 1; i < len(times); i++ {
		from, to := math.Max(times[i-1], 0), math.Min(times[i], end)
		span := to - from
		if span <= 0 {
			continue
		}
		a, allowedA := off(from + inside*span) // on this side of a jump
		b, allowedB := off(to - inside*span)
		for _, one := range [2][2]float64{{a, from}, {b, to}} {
			if d := math.Abs(one[0]); d > f.WorstVolts {
				f.WorstVolts, f.WorstAt = d, one[1]
			}
		}
		f.OutsideSeconds += span * outside(a, b, allowedA, allowedB)
	}
}

// inside is the part of a stretch by which a look at its ends stays inside it.
const inside = 1e-7

// outside is the part of a stretch, from one distance to another along a straight line, that is beyond what is allowed.
func outside(a, b, allowedA, allowedB float64) float64 {
	overA, overB := math.Abs(a)-allowedA, math.Abs(b)-allowedB
	switch {
	case overA <= 0 && overB <= 0:
		return 0
	case overA > 0 && overB > 0 && (a > 0) == (b > 0):
		return 1
	case overA > 0 && overB > 0: // across it
		return (overA + overB) / (math.Abs(a) + math.Abs(b))
	}
	return math.Max(overA, overB) / (math.Abs(overA) + math.Abs(overB))
}
