package battery

import (
	"math"

	"fourwire/quantity/measured"
)

// LifeInput is what a life is worked out from.
type LifeInput struct {
	Mean        measured.Value // A, the mean current with its uncertainty
	PeakAmps    float64        // the largest current that must still be served; less than the mean is the mean
	PeakSeconds float64        // how long such a peak lasts; 0: so long that the pairs count in full
	Kelvin      float64        // 0 is the reference temperature of the cell
	From        float64        // charge at the beginning; 0 is a full cell
	ShelfYears  float64        // the life that the cell has without load; 0 is not known
}

// What can end a life.
const (
	EndedByCharge  = "charge"     // all its charge is drawn
	EndedByCutoff  = "cut-off"    // the mean current alone takes it to its cut-off, with charge left
	EndedByPeak    = "peak"       // it would still carry the mean current, but no longer a peak
	EndedByShelf   = "shelf life" // the chemistry, not the load
	EndedByNothing = "never on"   // it cannot carry the peak even at the beginning
)

// LifeResult is a life as an interval.
type LifeResult struct {
	Hours     float64 `json:"hours"`      // everything as assumed
	Low       float64 `json:"low_hours"`  // everything at its bad end
	High      float64 `json:"high_hours"` // everything at its good end
	MeanAmps  float64 `json:"mean_amps"`
	PeakAmps  float64 `json:"peak_amps"`
	LeakAmps  float64 `json:"leak_amps"`      // self-discharge as a current, middle of its range
	Usable    float64 `json:"usable_coulomb"` // what leaves the cell before the end, the load's and the leak's, of the stated capacity
	Share     float64 `json:"usable_share"`   // of the capacity
	EndCharge float64 `json:"end_charge"`     // the charge that is left at the end, where the charge or a cut-off ends it
	YearHours float64 `json:"year_hours"`     // the hours of the year that self-discharge and years are counted in
	EndedBy   string  `json:"ended_by"`       // one of the EndedBy words
	Dominant  string  `json:"dominant"`       // the assumption whose range moves the life most; empty where none has a range

	Parts []LifePart `json:"parts"`
}

// LifePart is how much one assumption moves the life.
type LifePart struct {
	Name      string  `json:"name"`
	Unit      string  `json:"unit"` // of Low and High; empty is a ratio
	Low       float64 `json:"low"`  // its range
	High      float64 `json:"high"`
	HoursLow  float64 `json:"hours_low"`  // the life with it at Low, everything else as assumed
	HoursHigh float64 `json:"hours_high"` // the same at High
}

// Swing is by how many hours the assumption moves the life over its range.
func (p LifePart) Swing() float64 { return math.Abs(p.HoursHigh - p.HoursLow) }

// assumption is one set of what a life depends on.
type assumption struct {
	capacity, leakPerYear, amps float64
}

// Life works out how long a cell feeds a mean current: until the charge at which OCV(s) less the drop of a peak is under
// the cut-off, at Usable/(mean + leak), where self-discharge is a leak of so much of the capacity a year; at most its
// shelf life. The ends of the interval have capacity tolerance, self-discharge and the mean current (k = 2) all at their bad
// or all at their good end: wider than a combination of independent errors, since none of them averages out for one cell.
func Life(c *Cell, in LifeInput) LifeResult {
	r := LifeResult{YearHours: YearHours, MeanAmps: in.Mean.X, PeakAmps: max(in.PeakAmps, in.Mean.X), LeakAmps: c.LeakAmps()}
	end, by := c.lastCharge(in, r.MeanAmps, r.PeakAmps)
	from := in.From
	if from == 0 {
		from = 1
	}
	r.EndCharge, r.EndedBy = end, by
	r.Share = max(0, from-end)
	r.Usable = r.Share * c.Capacity()
	hours := func(a assumption) float64 {
		left := r.Share * a.capacity
		if left <= 0 {
			return 0
		}
		drain := a.amps + a.capacity*a.leakPerYear/YearSeconds
		if drain <= 0 {
			return math.Inf(1)
		}
		return left / drain / 3600
	}
	u := in.Mean.Expanded()
	leakLow, leakHigh := c.SelfDischarge[0], c.SelfDischarge[1]
	mid := assumption{c.Capacity(), (leakLow + leakHigh) / 2, r.MeanAmps}
	bad := assumption{c.Capacity() * (1 - c.Tolerance), leakHigh, r.MeanAmps + u}
	good := assumption{c.Capacity() * (1 + c.Tolerance), leakLow, max(0, r.MeanAmps-u)}
	r.Hours, r.Low, r.High = hours(mid), hours(bad), hours(good)

	with := func(change func(*assumption)) float64 { a := mid; change(&a); return hours(a) }
	if c.Tolerance > 0 {
		r.Parts = append(r.Parts, LifePart{"capacity", "C", bad.capacity, good.capacity,
			with(func(a *assumption) { a.capacity = bad.capacity }), with(func(a *assumption) { a.capacity = good.capacity })})
	}
	if leakLow != leakHigh {
		r.Parts = append(r.Parts, LifePart{"self-discharge", "1/a", leakLow, leakHigh,
			with(func(a *assumption) { a.leakPerYear = leakLow }), with(func(a *assumption) { a.leakPerYear = leakHigh })})
	}
	if u > 0 {
		r.Parts = append(r.Parts, LifePart{"mean current", "A", good.amps, bad.amps,
			with(func(a *assumption) { a.amps = good.amps }), with(func(a *assumption) { a.amps = bad.amps })})
	}
	biggest := 0.0
	for _, p := range r.Parts {
		if s := p.Swing(); s > biggest {
			biggest, r.Dominant = s, p.Name
		}
	}
	r.shelf(in.ShelfYears)
	return r
}

// shelf ends a life at the shelf life.
func (r *LifeResult) shelf(years float64) {
	if years <= 0 {
		return
	}
	most := years * YearHours
	if r.Hours > most {
		r.Hours, r.EndedBy, r.Dominant = most, EndedByShelf, EndedByShelf
	}
	r.Low, r.High = min(r.Low, most), min(r.High, most)
}

// drop is what mean and peak together take off the open-circuit voltage at a charge: the mean has flowed for long, the
// rest of the peak for its own time.
func (c *Cell) drop(in LifeInput, charge, mean, peak float64) float64 {
	seconds := in.PeakSeconds
	if seconds <= 0 {
		seconds = math.Inf(1)
	}
	return mean*c.PulseResistance(charge, in.Kelvin, math.Inf(1)) + (peak-mean)*c.PulseResistance(charge, in.Kelvin, seconds)
}

// lastCharge is the charge at which the cell first fails to hold its cut-off, on its way down, and what fails.
func (c *Cell) lastCharge(in LifeInput, mean, peak float64) (charge float64, by string) {
	from := in.From
	if from == 0 {
		from = 1
	}
	holds := func(s, peak float64) bool { return c.OCV.At(s)-c.drop(in, s, mean, peak) >= c.CutoffVolts }
	if !holds(from, peak) {
		return from, EndedByNothing
	}
	// between neighbouring points of all tables the voltage is smooth; a fine grid finds the first fall, halving its place
	const steps = 2000
	for i := 1; i <= steps; i++ {
		low, high := from*(1-float64(i)/steps), from*(1-float64(i-1)/steps)
		if holds(low, peak) {
			continue
		}
		for range 60 {
			if mid := (low + high) / 2; holds(mid, peak) {
				high = mid
			} else {
				low = mid
			}
		}
		if holds(low, mean) {
			return high, EndedByPeak
		}
		return high, EndedByCutoff
	}
	return 0, EndedByCharge
}
