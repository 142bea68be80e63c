package battery

import "math"

// Draw is what a load takes: one of its fields.
type Draw struct {
	Amps  float64
	Watts float64
	Ohms  float64
}

// amps is the current that the draw takes from a cell in a state.
func (d Draw) amps(c *Cell, s *State) (float64, error) {
	switch {
	case d.Watts != 0:
		return c.CurrentFor(s, d.Watts)
	case d.Ohms != 0:
		return c.Behind(s) / (d.Ohms + c.Resistance(s.Charge, s.Kelvin)), nil
	}
	return d.Amps, nil
}

// Until says when [Cell.Discharge] ends: at whichever comes first. A zero field says nothing.
type Until struct {
	Volts   float64 // loaded voltage below which it ends; 0 is the cell's cut-off
	Charge  float64 // charge at or below which it ends; 0 is empty
	Seconds float64 // time; 0 is as long as it takes
}

// Discharged is what a discharge gave.
type Discharged struct {
	Seconds   float64
	Coulomb   float64
	Joule     float64
	LastVolts float64 // loaded, at the end
	RestVolts float64 // open-circuit voltage of the charge that is left
	Charge    float64 // what is left
	EndedBy   string  // "volts", "charge", "time" or "collapse"
}

// Discharge draws on a cell in steps of so many seconds until it ends, and moves the state. The voltage is judged before
// each step, with the current of that step. A draw of nothing ends at once.
func (c *Cell) Discharge(s *State, d Draw, stepSeconds float64, until Until) Discharged {
	limit := until.Volts
	if limit == 0 {
		limit = c.CutoffVolts
	}
	var coulomb, joule, seconds Sum
	var r Discharged
	if d == (Draw{}) || !(stepSeconds > 0) {
		return Discharged{LastVolts: c.Behind(s), RestVolts: c.OCV.At(s.Charge), Charge: s.Charge, EndedBy: "time"}
	}
	for {
		amps, err := d.amps(c, s)
		if err != nil {
			r.EndedBy = "collapse"
			break
		}
		r.LastVolts = c.Terminal(s, amps)
		if r.LastVolts < limit {
			r.EndedBy = "volts"
			break
		}
		if s.Charge <= until.Charge {
			r.EndedBy = "charge"
			break
		}
		if until.Seconds > 0 && seconds.Value() >= until.Seconds*(1-1e-12) {
			r.EndedBy = "time"
			break
		}
		c.Step(s, amps, stepSeconds)
		coulomb.Add(amps * stepSeconds)
		joule.Add(r.LastVolts * amps * stepSeconds)
		seconds.Add(stepSeconds)
	}
	r.Seconds, r.Coulomb, r.Joule = seconds.Value(), coulomb.Value(), joule.Value()
	r.RestVolts, r.Charge = c.OCV.At(s.Charge), s.Charge
	return r
}

// Peukert's rule has two conventions that give different times for the same exponent; name the one you mean.

// PeukertOneAmpere is the time in hours after the one-ampere convention: t = C/I^k, with C the capacity in Ah at 1 A.
func PeukertOneAmpere(capacityAh, exponent, amps float64) (hours float64) {
	return capacityAh / math.Pow(amps, exponent)
}

// PeukertRated is the time in hours after the rated-time convention: t = H (C/(I H))^k, with C the capacity in Ah that the
// cell has when it is discharged in H hours.
func PeukertRated(capacityAh, ratedHours, exponent, amps float64) (hours float64) {
	return ratedHours * math.Pow(capacityAh/(amps*ratedHours), exponent)
}

// PeukertExponent is the exponent from two discharges: ln(t1/t2)/ln(I2/I1).
func PeukertExponent(hours1, amps1, hours2, amps2 float64) float64 {
	return math.Log(hours1/hours2) / math.Log(amps2/amps1)
}

// LeakingHours is the time in hours that a charge lasts when self-discharge is a constant current of its own, so much of
// the full capacity a year of 8766 hours: Q/(I + Q s/8766 h). It is the shorter of the two models.
func LeakingHours(coulomb, perYear, amps float64) float64 {
	return coulomb / (amps + coulomb*perYear/YearSeconds) / 3600
}

// FadingHours is the same where self-discharge is in proportion to the charge that is left: ln(1 + Q s/(8766 h I))/s.
func FadingHours(coulomb, perYear, amps float64) float64 {
	if perYear == 0 {
		return coulomb / amps / 3600
	}
	return math.Log1p(coulomb*perYear/(YearSeconds*amps)) / perYear * YearHours
}

// Phase is a part of a cycle in which a current flows for some time.
type Phase struct {
	Amps, Seconds float64
}

// Cycle is the charge in coulomb and the time-weighted mean current of the phases of one cycle.
func Cycle(phases []Phase) (coulomb, meanAmps float64) {
	var q, t Sum
	for _, p := range phases {
		q.Add(p.Amps * p.Seconds)
		t.Add(p.Seconds)
	}
	return q.Value(), q.Value() / t.Value()
}
