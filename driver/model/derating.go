package model

import (
	"math"

	"fourwire/internal/diag"
)

// Derating is how an instrument carries less power in warm surroundings. The zero value loses nothing.
type Derating struct {
	AboveKelvin float64 // ambient temperature from which it begins
	PerKelvin   float64 // part of the power that is lost for each kelvin above
}

// Share is the part of the power that is left at an ambient temperature; 0 K, not stated, leaves all of it.
func (d Derating) Share(ambientKelvin float64) float64 {
	if d.PerKelvin <= 0 || ambientKelvin <= d.AboveKelvin {
		return 1
	}
	return math.Max(0, 1-d.PerKelvin*(ambientKelvin-d.AboveKelvin))
}

func (r *reader) derating(n *diag.Node) Derating {
	above, per := n.Get("derating_above"), n.Get("derating_per_kelvin")
	if (above == nil) != (per == nil) {
		r.found.AddHint(n.Place, "as in derating_above: 40 degC, derating_per_kelvin: 2 %", "derating needs both derating_above and derating_per_kelvin")
	}
	return Derating{r.amount(above), r.amount(per)}
}
