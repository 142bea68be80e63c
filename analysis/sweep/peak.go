package sweep

import (
	"errors"
	"math"

	"fourwire/quantity/measured"
)

var errNoLedger = errors.New("a fit needs the ledger of the run, to enter its scatter there")

// PeakKind tells where the greatest value of a curve lies.
type PeakKind uint8

// The kinds of peak.
const (
	Inside PeakKind = iota // a summit between points
	AtEnd                  // the curve still rises at an end of the sweep: the greatest value is that end's
	AtKink                 // at a change of mode, between the two points around it
)

func (k PeakKind) String() string {
	return [...]string{"inside", "at the end of the sweep", "at a change of mode"}[min(k, AtKink)]
}

// Peak is the greatest value of a curve over the range that was measured, and where it lies.
type Peak struct {
	Y measured.Value // Y.Expanded() is the half-width of its interval of about 95 %
	X measured.Value // likewise; Low and High say the same without making it symmetrical
	// Low and High hold the place with about 95 % confidence: where the slope of the fitted curve does not differ from zero by more
	// than its uncertainty (Fieller's interval), and every other point that is not clearly lower than the peak.
	Low, High float64
	Kind      PeakKind
	Flat      bool // the points do not tell where the top is: Low and High span all that is alike
	Points    int  // that the fit used
}

const (
	windowSigmas = 4.0 // the window grows until its ends lie so many standard deviations of scatter below the top
	windowSide   = 4   // points on one side of the highest, at most
	minimumSide  = 2   // and at least, where there are so many
)

// PeakOf finds the greatest value of y over x, with an interval for both. It needs three points.
//
// A parabola in ln x (in x, where x is not above zero throughout) is fitted by least squares to the points around the highest
// one: two on each side, more while scatter hides the curvature. A converter whose loss is a constant, a part in proportion
// to the current and one to its square has an efficiency that is symmetrical in ln x about sqrt(P0 / R), hence the axis. The
// window never reaches across a change of mode (see [Kinks]), so that a step or a cusp is not smoothed away. Error terms of
// both columns are propagated through the fit (JCGM 100:2008, 5.1); what they do not explain of the residuals, and what a
// cubic makes of the same points, are added as inputs of the ledger, which must not be nil. Interval of the place: Fieller's
// theorem, from memory.
func PeakOf(y, x Values, ledger *measured.Ledger) (Peak, error) {
	p, err := inOrder(y, x)
	switch n := len(p.x); {
	case err != nil:
		return Peak{}, err
	case n < 3:
		return Peak{}, &TooFew{Figure: "a peak", Have: n, Need: 3}
	case ledger == nil:
		return Peak{}, errNoLedger
	}
	_, top := extremes(p.y)
	s := summit{points: p, top: top, low: 0, high: len(p.x) - 1, ledger: ledger}
	if len(p.x) >= kinkPoints {
		for _, k := range p.kinks() {
			if k.at >= top {
				s.high, s.kinkHigh = k.at, &k
				break
			}
			s.low, s.kinkLow = k.at+1, &k
		}
	}
	peak, err := s.find()
	if err != nil {
		return peak, err
	}
	for _, k := range []*Kink{s.kinkLow, s.kinkHigh} {
		if k != nil && k.Low.X <= peak.High && k.High.X >= peak.Low {
			peak.Low, peak.High = min(peak.Low, k.Low.X), max(peak.High, k.High.X)
		}
	}
	s.others(&peak)
	if len(p.x) < kinkPoints {
		// too few points to show a change of mode: the place is no better known than to a step on either side
		peak.Low, peak.High = min(peak.Low, p.x[max(0, top-1)].X), max(peak.High, p.x[min(len(p.x)-1, top+1)].X)
	}
	peak.Low, peak.High = max(peak.Low, p.x[0].X), min(peak.High, p.x[len(p.x)-1].X)
	// the interval of the place is not symmetrical: U reaches its farther end
	reach := max(peak.High-peak.X.X, peak.X.X-peak.Low)
	if u := peak.X.Std(); reach > 2*u {
		peak.X = widened(peak.X, ledger, measured.Input{Name: "place of the peak", Kind: measured.Noise}, math.Sqrt(reach*reach/4-u*u))
	}
	return peak, nil
}
