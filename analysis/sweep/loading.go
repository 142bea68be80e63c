package sweep

import (
	"errors"
	"math"

	"fourwire/quantity/measured"
)

// Loading is a set of standard loads, as parts of full load.
type Loading struct {
	For        string
	Parts      []float64
	Source     string
	FromMemory bool // the source was not opened when this was written
}

// ExternalSupply are the loads of the average active efficiency of an external power supply: 25, 50, 75 and 100 % of its
// nameplate output.
func ExternalSupply() Loading {
	return Loading{"external power supply", []float64{0.25, 0.50, 0.75, 1}, "10 CFR part 430, subpart B, appendix Z; Regulation (EU) 2019/1782", true}
}

// InternalSupply are the loads at which internal supplies of computers are judged: 10, 20, 50 and 100 %.
func InternalSupply() Loading {
	return Loading{"internal power supply", []float64{0.10, 0.20, 0.50, 1}, "common practice", true}
}

// LoadPoint is a curve's value at one of the standard loads.
type LoadPoint struct {
	Part         float64        // of full load
	X, Y         measured.Value // the load that was wanted, or that of the point taken for it; the value there
	Interpolated bool           // no point was measured near enough: Y lies on the line between two
}

// Average is the mean of a curve at standard loads.
type Average struct {
	Mean   measured.Value
	Points []LoadPoint
}

// Interpolated tells whether any of the loads was not measured itself.
func (a Average) Interpolated() bool {
	for _, p := range a.Points {
		if p.Interpolated {
			return true
		}
	}
	return false
}

// nearEnough is how far, as a part of full load, a measured load may lie from a standard one to be taken for it: 2 % (from
// memory of the test method for external supplies).
const nearEnough = 0.02

// AverageAt is the arithmetic mean of y at parts of the full load x: of efficiencies, what regulations call average active
// efficiency, which is not output energy over input energy. A point that was measured within 2 % of full load of the wanted
// one is taken as it is, the nearest and then the first; elsewhere y is interpolated, and flagged. A load beyond the points is
// an [*Outside]. What the points share does not average out.
func AverageAt(y, x Values, full measured.Value, parts []float64, ledger *measured.Ledger) (Average, error) {
	y, x = Rows(y, x)
	switch {
	case len(y) == 0:
		return Average{}, ErrNoPoint
	case len(parts) == 0:
		return Average{}, errors.New("an average needs the loads that it is taken at")
	case !(full.X > 0):
		return Average{}, errors.New("the full load must be above zero")
	}
	var out Average
	var all Values
	for _, part := range parts {
		p := LoadPoint{Part: part}
		near := -1
		for i := range x {
			off := math.Abs(x[i].X - part*full.X)
			if off <= nearEnough*full.X && (near < 0 || off < math.Abs(x[near].X-part*full.X)) {
				near = i
			}
		}
		if near >= 0 {
			p.X, p.Y = x[near], y[near]
		} else {
			p.X, p.Interpolated = measured.Map(part*full.X, full.Dim, full, part), true
			var err error
			if p.Y, err = At(y, x, p.X, ledger); err != nil {
				return Average{}, err
			}
		}
		out.Points, all = append(out.Points, p), append(all, p.Y)
	}
	out.Mean = measured.Mean(all...)
	return out, nil
}
