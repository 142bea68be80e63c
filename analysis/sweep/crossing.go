package sweep

import (
	"fmt"
	"math"

	"fourwire/analysis/uncertain"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// Direction is how a column moves through a level, in the order measured.
type Direction uint8

// The directions. The zero value takes both.
const (
	Either  Direction = iota
	Rising            // from below the level to it or above it
	Falling           // from above the level to it or below it
)

func (d Direction) String() string {
	return [...]string{"", "upwards", "downwards"}[min(d, Falling)]
}

// Outside is the error of a level, or a place, that the points do not reach.
type Outside struct {
	Level     quantity.Quantity
	Points    quantity.Span // over what the points run
	Crossing  bool          // a crossing was asked for
	Direction Direction
}

func (e *Outside) Error() string {
	switch {
	case !e.Crossing:
		return fmt.Sprintf("%s lies outside the points, which run over %s", e.Level, e.Points)
	case e.Direction != Either:
		return fmt.Sprintf("never crosses %s %s; the points run over %s", e.Level, e.Direction, e.Points)
	}
	return fmt.Sprintf("never crosses %s; the points run over %s", e.Level, e.Points)
}

// At is y where x reaches x0, on the straight line between the first two neighbouring points, in the order measured,
// between which it does. The errors of both points and of x0 are propagated through
//
//	y = y0 + (y1 - y0) (at - x0) / (x1 - x0)
//
// (common formula; sensitivities by its derivatives, JCGM 100:2008, 5.1). What the line may hide of a bent curve is a further
// error, as far as the neighbouring points tell, see hidden. A nil ledger leaves it out. Where x0 lies beyond the points the
// error is an [*Outside].
func At(y, x Values, x0 measured.Value, ledger *measured.Ledger) (measured.Value, error) {
	return interpolate(y, x, x0, Outside{}, ledger)
}

// Crossing is x where y crosses the level in a direction, the first time in the order measured, as in [At]. A y that begins
// exactly at the level crosses it in the direction in which it leaves; one that touches the level and turns back has
// crossed it when it arrived.
//
// At a jump (an output that switches off) the crossing lies anywhere between the two points: it is the middle then, with half
// their distance as the limit of a rectangular error, as [Threshold] gives it.
func Crossing(x, y Values, level measured.Value, direction Direction, ledger *measured.Ledger) (measured.Value, error) {
	return interpolate(x, y, level, Outside{Crossing: true, Direction: direction}, ledger)
}

// interpolate is the value of a on the straight line between the first two neighbouring points between which b reaches
// level.
func interpolate(a, b Values, level measured.Value, fault Outside, ledger *measured.Ledger) (measured.Value, error) {
	a, b = Rows(a, b)
	if len(b) == 0 {
		return measured.Value{}, ErrNoPoint
	}
	if low, high := extremes(b); b[low].X == level.X && b[high].X == level.X && fault.Direction == Either {
		return a[0], nil
	}
	if i := step(b, level.X, fault.Direction); i >= 0 {
		return reached(a, b, i, level, fault.Crossing, ledger), nil
	}
	fault.Level, fault.Points = level.Quantity(), reach(b)
	return measured.Value{}, &fault
}

// step is the first i for which b reaches the level between i and i+1; -1 where it never does.
func step(b Values, level float64, direction Direction) int {
	begins := true
	for i := range len(b) - 1 {
		begins = begins && b[i].X == level
		if passes(b[i].X, b[i+1].X, level, begins, direction) {
			return i
		}
	}
	return -1
}

// passes tells whether y goes through a level between two points; begins: it has stood at the level so far.
func passes(from, to, level float64, begins bool, direction Direction) bool {
	rising := (from < level || begins && from == level) && to >= level && to > from
	falling := (from > level || begins && from == level) && to <= level && to < from
	switch direction {
	case Rising:
		return rising
	case Falling:
		return falling
	}
	return rising || falling
}

// between propagates through a = a0 + (a1 - a0) (level - b0) / (b1 - b0).
func between(a0, a1, b0, b1, level measured.Value) measured.Value {
	t := (level.X - b0.X) / (b1.X - b0.X)
	s := (a1.X - a0.X) / (b1.X - b0.X)
	x := a0.X + (a1.X-a0.X)*t
	return combine(x, a0.Dim, Values{a0, a1, b0, b1, level}, []float64{1 - t, t, -s * (1 - t), -s * t, s})
}

// reached is a on the line between points i and i+1 where b has the level, with what the line may hide as a rectangular error
// (JCGM 100:2008, 4.3.7). At a jump it is the middle of the step instead, with half of it as the limit.
func reached(a, b Values, i int, level measured.Value, crossing bool, ledger *measured.Ledger) measured.Value {
	v := between(a[i], a[i+1], b[i], b[i+1], level)
	if ledger == nil {
		return v
	}
	limit, jump := hidden(a, b, i, level.X, v.X, crossing)
	in := measured.Input{Name: "straight line between points", Kind: measured.Quantisation, Shape: measured.Rectangular}
	if jump {
		in = stepInput()
		v.X = (a[i].X + a[i+1].X) / 2
	}
	return widened(v, ledger, in, uncertain.Rectangular(limit))
}

// hidden is how far from the line between points i and i+1 the curve may lie where b has the level, as far as the points on
// either side tell. The continuation of the neighbouring step misses the line by the change of slope there times the way from
// that point; half the change of slope, times the ways to both points, is what a steady bend makes (the error of linear
// interpolation, common formula), and twice that is allowed. Where the slope changes both ways across one step, or a
// continuation never comes to the level within the step, the curve may lie anywhere between the continuations. jump says
// that neither comes to the level: what happens in the step is not seen at all. Own rule; no source.
func hidden(a, b Values, i int, level, line float64, crossing bool) (limit float64, jump bool) {
	t := (level - b[i].X) / (b[i+1].X - b[i].X)
	var off []float64
	never := 0
	for _, side := range []struct {
		outer, inner, far int
		way, rest         float64
	}{{i - 1, i, i + 1, t, 1 - t}, {i + 2, i + 1, i, 1 - t, t}} {
		if side.outer < 0 || side.outer >= len(a) {
			continue
		}
		inner, far := a[side.inner].X, a[side.far].X
		slope := (inner - a[side.outer].X) / (b[side.inner].X - b[side.outer].X)
		goes := inner + slope*(level-b[side.inner].X)
		if math.IsInf(slope, 0) || math.IsNaN(goes) || crossing && (goes-inner)*(goes-far) > 1e-9*(far-inner)*(far-inner) {
			goes = far
			never++
			limit = max(limit, math.Abs(goes-line))
		}
		off = append(off, goes-line)
		limit = max(limit, math.Abs(goes-line)*side.rest)
	}
	if len(off) == 2 && off[0]*off[1] < 0 {
		limit = max(limit, math.Abs(off[0]), math.Abs(off[1]))
	}
	if len(off) == 2 && never == 2 {
		return math.Abs(a[i+1].X-a[i].X) / 2, true
	}
	return limit, false
}
