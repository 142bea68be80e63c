package sweep

import (
	"fmt"
	"math"

	"fourwire/analysis/uncertain"
	"fourwire/quantity/measured"
)

// stepInput is the error of a threshold that is known to lie between two points only.
func stepInput() measured.Input {
	return measured.Input{Name: "step of the sweep at a threshold", Kind: measured.Quantisation, Shape: measured.Rectangular}
}

// Threshold is x at which something switches: y jumps through the level there, so that the threshold lies anywhere between
// the two points around the jump. The result is the middle of the two, with half their distance as the limit of a
// rectangular error (JCGM 100:2008, 4.3.7) beside the errors of both. [Crossing] narrows it down where y moves through
// the level steadily.
func Threshold(x, y Values, level measured.Value, direction Direction, ledger *measured.Ledger) (measured.Value, error) {
	x, y = Rows(x, y)
	if len(y) == 0 {
		return measured.Value{}, ErrNoPoint
	}
	i := step(y, level.X, direction)
	if i < 0 {
		return measured.Value{}, &Outside{Level: level.Quantity(), Points: reach(y), Crossing: true, Direction: direction}
	}
	middle := measured.Mean(x[i], x[i+1])
	return widened(middle, ledger, stepInput(), uncertain.Rectangular(math.Abs(x[i+1].X-x[i].X)/2)), nil
}

// Pair is a threshold in both directions of travel.
type Pair struct {
	Up         measured.Value // x where y crosses the level while x goes up
	Down       measured.Value // x where y crosses the level while x goes down
	Hysteresis measured.Value // Up - Down: positive where the device keeps its state
}

// Thresholds finds where y crosses the level on the way up and on the way down of x, in one sweep that goes both ways: the
// first crossing of each. It is a crossing on the way up when x at the later of its two points is greater. An offset or a
// gain error that both share cancels in the hysteresis, as far as they share it. Definition: common practice, no source.
func Thresholds(x, y Values, level measured.Value, ledger *measured.Ledger) (Pair, error) {
	x, y = Rows(x, y)
	if len(y) == 0 {
		return Pair{}, ErrNoPoint
	}
	var p Pair
	var up, down bool
	begins := true
	for i := range len(y) - 1 {
		begins = begins && y[i].X == level.X
		if !passes(y[i].X, y[i+1].X, level.X, begins, Either) {
			continue
		}
		switch at := reached(x, y, i, level, true, ledger); {
		case x[i+1].X > x[i].X && !up:
			p.Up, up = at, true
		case x[i+1].X < x[i].X && !down:
			p.Down, down = at, true
		}
	}
	if !up || !down {
		fault := &OneWay{Outside{Level: level.Quantity(), Points: reach(y), Crossing: true}, up, down}
		return Pair{}, fault
	}
	p.Hysteresis = measured.Sub(p.Up, p.Down)
	return p, nil
}

// OneWay is the error of a level that is not crossed on both ways of a sweep.
type OneWay struct {
	Outside
	Up, Down bool // on which way it was crossed
}

func (e *OneWay) Error() string {
	way := "up"
	switch {
	case !e.Up && !e.Down:
		return e.Outside.Error()
	case e.Up:
		way = "down"
	}
	return fmt.Sprintf("%s is not crossed on the way %s; sweep both ways, through it", e.Level, way)
}
