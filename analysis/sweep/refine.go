package sweep

import (
	"fmt"
	"math"
	"slices"
)

// Taken is a point of a sweep that chooses its points as it goes.
type Taken struct {
	X, Y float64
	U    float64 // expanded uncertainty (k = 2) of what the points do not share: scatter, not gain
}

// Refining says what a sweep is to follow.
type Refining struct {
	Low, High float64 // the range of x
	Log       bool    // the axis is ln x: for loads over decades
	Within    float64 // how far a straight line between neighbours may miss the curve, in the unit of y
	Budget    int     // points at most, those of the seed included
	Seed      int     // points spread evenly at the start, ends included; 0 is 7. What is narrower than their gaps may be missed
	// Jump is the gap, as a share of the range on the axis, to which a place that will not smooth out is bracketed; 0 is 0.005.
	Jump float64
	// Peak is the gap, likewise, to which the place of the greatest y is bracketed as far as scatter allows; 0: not asked for.
	Peak float64
}

// Bracket is a pair of neighbours.
type Bracket struct {
	Low, High float64 // x
	Step      float64 // y at High less y at Low
}

// Choice is the next point, or the end.
type Choice struct {
	X      float64 // where to measure next; of no meaning at the end
	Done   bool
	Reason string // why there, or why it ends
	// Jumps are the gaps in which the curve steps, or bends more sharply than the bracket resolves: nothing in between is
	// interpolated.
	Jumps []Bracket
	// PeakLow and PeakHigh hold the place of the greatest y between the points: the neighbours of all points that scatter does
	// not put clearly below the greatest. They are set from three points on.
	PeakLow, PeakHigh float64
}

// Refine chooses the next point of an adaptive sweep from those taken so far, in any order; it keeps nothing, so that a sweep
// can go on where it was cut off.
//
// After an even seed, the gap in which a straight line would miss the curve by most is halved: by the second divided
// differences at its two ends, h^2 / 8 times the curvature, as far as these exceed twice their own uncertainty. A step or a
// corner is told by the slopes around its gap; the gaps beside it are judged by their far ends, so that points go into it and
// not around it. A step does not smooth out: its gap is halved down to the bracket and left. Then the gaps beside the greatest y are halved until
// they are as narrow as asked, or until what they still hide is below the scatter. Own method, after the error of linear
// interpolation.
func Refine(taken []Taken, o Refining) (Choice, error) {
	if err := o.check(); err != nil {
		return Choice{}, err
	}
	r, err := o.sort(taken)
	if err != nil {
		return Choice{}, err
	}
	if x, ok := r.seed(); ok {
		if len(taken) >= o.Budget {
			return r.end(fmt.Sprintf("the budget of %d points is spent before the seed of %d is taken", o.Budget, o.seeds())), nil
		}
		return Choice{X: x, Reason: "the even start"}, nil
	}
	gap, miss := r.worst()
	peak, peakWhy := r.peakGap()
	switch {
	case gap < 0 && peak < 0:
		why := fmt.Sprintf("straight lines follow the curve within %.3g", o.Within)
		if peakWhy != "" {
			why += "; " + peakWhy
		}
		return r.end(why), nil
	case len(taken) >= o.Budget:
		return r.end(fmt.Sprintf("the budget of %d points is spent", o.Budget)), nil
	case gap >= 0:
		c := r.end(fmt.Sprintf("a straight line may miss the curve by %.2g here", miss))
		c.Done, c.X = false, r.middle(gap)
		return c, nil
	}
	c := r.end("to bracket the peak")
	c.Done, c.X = false, r.middle(peak)
	return c, nil
}

func (o Refining) seeds() int {
	if o.Seed == 0 {
		return 7
	}
	return o.Seed
}

func (o Refining) jump() float64 {
	if o.Jump == 0 {
		return 0.005
	}
	return o.Jump
}

func (o Refining) check() error {
	switch {
	case !(o.Low < o.High) || math.IsInf(o.High-o.Low, 0):
		return fmt.Errorf("the range of a sweep is %g to %g; its low end must lie below its high end", o.Low, o.High)
	case o.Log && o.Low <= 0:
		return fmt.Errorf("a logarithmic sweep cannot begin at %g; begin above zero", o.Low)
	case !(o.Within > 0):
		return fmt.Errorf("the sweep is to be followed within %g; state how far it may be missed, above zero", o.Within)
	case o.Seed < 0 || o.Seed > 0 && o.Seed < 3:
		return fmt.Errorf("a seed of %d points shows no bend; take 3 or more", o.Seed)
	case !(o.jump() > 0 && o.jump() < 1) || !(o.Peak >= 0 && o.Peak < 1):
		return fmt.Errorf("brackets of %g and %g of the range; they must lie between 0 and 1", o.Jump, o.Peak)
	}
	return nil
}

// refining are points in order, on an axis from 0 to 1.
type refining struct {
	Refining
	t, x, y, sd []float64
	noise       []float64 // of the curvature
	curve       []float64 // second derivative along t
}

// sort merges what was taken at one place.
func (o Refining) sort(taken []Taken) (*refining, error) {
	r := &refining{Refining: o}
	points := slices.Clone(taken)
	for i, p := range points {
		if math.IsNaN(p.X) || math.IsNaN(p.Y) || math.IsInf(p.Y, 0) || !(p.U >= 0) {
			return nil, fmt.Errorf("point %d is %g at %g with U %g: leave out what could not be measured", i+1, p.Y, p.X, p.U)
		}
	}
	slices.SortStableFunc(points, func(a, b Taken) int {
		switch {
		case a.X < b.X:
			return -1
		case a.X > b.X:
			return 1
		}
		return 0
	})
	for from := 0; from < len(points); {
		to, sum, squares := from, 0.0, 0.0
		at := r.axis(points[from].X)
		for to < len(points) && r.axis(points[to].X)-at < 1e-6 {
			sum += points[to].Y
			squares += points[to].U * points[to].U / 4
			to++
		}
		n := float64(to - from)
		r.t, r.x = append(r.t, at), append(r.x, points[from].X)
		r.y, r.sd = append(r.y, sum/n), append(r.sd, math.Sqrt(squares)/n)
		from = to
	}
	r.curve, r.noise = make([]float64, len(r.t)), make([]float64, len(r.t))
	for i := 1; i+1 < len(r.t); i++ {
		before, after := r.t[i]-r.t[i-1], r.t[i+1]-r.t[i]
		a, c := 2/(before*(before+after)), 2/(after*(before+after))
		r.curve[i] = a*r.y[i-1] - (a+c)*r.y[i] + c*r.y[i+1]
		r.noise[i] = math.Sqrt(a*a*r.sd[i-1]*r.sd[i-1] + (a+c)*(a+c)*r.sd[i]*r.sd[i] + c*c*r.sd[i+1]*r.sd[i+1])
	}
	return r, nil
}

func (o Refining) axis(x float64) float64 {
	if o.Log {
		return math.Log(x/o.Low) / math.Log(o.High/o.Low)
	}
	return (x - o.Low) / (o.High - o.Low)
}

func (o Refining) back(t float64) float64 {
	if o.Log {
		return o.Low * math.Exp(t*math.Log(o.High/o.Low))
	}
	return o.Low + t*(o.High-o.Low)
}

func (r *refining) middle(gap int) float64 { return r.back((r.t[gap] + r.t[gap+1]) / 2) }

// seed is the first place of the even start that has no point near.
func (r *refining) seed() (x float64, missing bool) {
	n := r.seeds()
	for i := range n {
		t := float64(i) / float64(n-1)
		near := false
		for _, have := range r.t {
			near = near || math.Abs(have-t) < 0.1/float64(n-1)
		}
		if !near {
			switch i { // the ends exactly
			case 0:
				return r.Low, true
			case n - 1:
				return r.High, true
			}
			return r.back(t), true
		}
	}
	return 0, false
}

// bend is by how much a curvature exceeds twice its uncertainty.
func (r *refining) bend(i int) float64 { return max(0, math.Abs(r.curve[i])-2*r.noise[i]) }

// slope of a gap.
func (r *refining) slope(gap int) float64 { return (r.y[gap+1] - r.y[gap]) / (r.t[gap+1] - r.t[gap]) }

// turn is by how much the slope changes at a point, as far as its uncertainty lets it show.
func (r *refining) turn(i int) float64 {
	if i < 1 || i+1 >= len(r.t) || r.curve[i] == 0 {
		return 0
	}
	return (r.slope(i) - r.slope(i-1)) * r.bend(i) / math.Abs(r.curve[i])
}

// gapKind is what a gap looks like beside its neighbours.
type gapKind uint8

const (
	smooth  gapKind = iota
	stepped         // its slope stands out of those on both sides, which are alike
	corner          // all the change of slope around it happens within
)

func (r *refining) kindOf(gap int) gapKind {
	if gap < 1 || gap+2 >= len(r.t) {
		return smooth
	}
	a, b := r.turn(gap), r.turn(gap+1)
	switch {
	case a*b < 0 && math.Abs(a+b) < min(math.Abs(a), math.Abs(b))/2:
		return stepped
	case a*b > 0 && math.Abs(a+b) > 3*(math.Abs(r.turn(gap-1))+math.Abs(r.turn(gap+2))):
		return corner
	}
	return smooth
}

// miss is how far a straight line over a gap may be off.
func (r *refining) miss(gap int) float64 {
	h := r.t[gap+1] - r.t[gap]
	last := len(r.t) - 1
	if last < 2 {
		return 0
	}
	a, b := r.turn(gap), r.turn(gap+1)
	switch r.kindOf(gap) {
	case stepped:
		return math.Abs(a-b) * h / 4 // half of what it steps by
	case corner: // with the corner at the worst place that both turns allow
		return math.Abs(a * b / (a + b) * h)
	}
	// an end at which a step or a corner next door shows says nothing about this gap
	low, high := r.bend(gap), r.bend(gap+1)
	if gap == 0 || gap > 1 && r.kindOf(gap-1) != smooth {
		low = max(high, 2*high-r.bend(min(last, gap+2)))
		if gap+2 >= last {
			low = high
		}
	}
	if gap == last-1 || gap+2 < last && r.kindOf(gap+1) != smooth {
		if high = low; gap >= 2 && gap == last-1 { // towards the end the curvature goes on as it changes
			high = max(low, 2*low-r.bend(gap-1))
		}
	}
	if low > high {
		low, high = high, low
	}
	c := high
	if high > 4*low {
		c = (low + high) / 2 // it vanishes on the way
	}
	return 1.25 * c * h * h / 8
}

// worst is the gap in which a straight line misses by most, of those wide enough to be halved; -1 where none misses.
func (r *refining) worst() (gap int, miss float64) {
	gap, miss = -1, r.Within
	for i := 0; i+1 < len(r.t); i++ {
		if m := r.miss(i); m > miss && r.t[i+1]-r.t[i] > r.jump() {
			gap, miss = i, m
		}
	}
	return gap, miss
}

// top is the greatest point, and the range of points that may be as great.
func (r *refining) top() (top, low, high int) {
	for i, y := range r.y {
		if y > r.y[top] {
			top = i
		}
	}
	low, high = top, top
	for i, y := range r.y {
		// two and a half standard deviations: there are many points to choose the greatest from
		if r.y[top]-y <= 2.5*math.Hypot(r.sd[i], r.sd[top]) {
			low, high = min(low, i), max(high, i)
		}
	}
	return top, low, high
}

// peakGap is the wider gap beside the greatest point, where halving it may still tell something; -1 where not, with the reason.
func (r *refining) peakGap() (gap int, why string) {
	if r.Peak == 0 || len(r.t) < 3 {
		return -1, ""
	}
	top, low, high := r.top()
	gap = -1
	width := r.Peak
	for _, i := range []int{top - 1, top} {
		if i >= 0 && i+1 < len(r.t) && r.t[i+1]-r.t[i] > width {
			gap, width = i, r.t[i+1]-r.t[i]
		}
	}
	if gap < 0 {
		return -1, "the peak is bracketed"
	}
	// at a step or a sharp bend the gap itself is what is known
	if top > 0 && top+1 < len(r.t) {
		drop := math.Abs(r.curve[top]) * width * width / 8
		if sd := max(r.sd[top], r.sd[max(0, top-1)]); high > low && drop < 2*sd || sd > 0 && drop < sd {
			return -1, "the peak is as narrow as the scatter allows"
		}
	}
	return gap, ""
}

// end is a choice without a next point.
func (r *refining) end(why string) Choice {
	c := Choice{Done: true, Reason: why}
	for i := 0; i+1 < len(r.t); i++ {
		if r.miss(i) > r.Within && r.t[i+1]-r.t[i] <= r.jump() {
			c.Jumps = append(c.Jumps, Bracket{r.x[i], r.x[i+1], r.y[i+1] - r.y[i]})
		}
	}
	if len(r.t) >= 3 {
		_, low, high := r.top()
		c.PeakLow, c.PeakHigh = r.x[max(0, low-1)], r.x[min(len(r.x)-1, high+1)]
	}
	return c
}
