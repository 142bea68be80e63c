package scpi

import "strings"

// Suffix gives what one of a unit is in SI: 1e-3 for "MV". Case does not matter. M is milli, except in MHZ and MOHM, where it is
// mega; MA before a unit is mega, but MA alone is milliampere (IEEE 488.2 clause 7.7.3). A multiplier without a unit counts as well.
func Suffix(text string) (factor float64, ok bool) {
	upper := strings.ToUpper(strings.TrimSpace(text))
	if upper == "" {
		return 0, false
	}
	for _, unit := range [...]string{"OHM", "CEL", "PCT", "VA", "HZ", "V", "A", "W", "S", "F", "H", "C", "J", "%"} {
		prefix, found := strings.CutSuffix(upper, unit)
		if !found {
			continue
		}
		if unit == "PCT" || unit == "%" {
			return 0.01, prefix == ""
		}
		if prefix == "" {
			return 1, true
		}
		if prefix == "M" && (unit == "OHM" || unit == "HZ") {
			return 1e6, true
		}
		if factor, ok := multiplier(prefix); ok {
			return factor, true
		}
	}
	return multiplier(upper)
}

// multiplier is the table of IEEE 488.2 clause 7.7.3.
func multiplier(prefix string) (float64, bool) {
	switch prefix {
	case "EX":
		return 1e18, true
	case "PE":
		return 1e15, true
	case "T":
		return 1e12, true
	case "G":
		return 1e9, true
	case "MA":
		return 1e6, true
	case "K":
		return 1e3, true
	case "M":
		return 1e-3, true
	case "U":
		return 1e-6, true
	case "N":
		return 1e-9, true
	case "P":
		return 1e-12, true
	case "F":
		return 1e-15, true
	case "A":
		return 1e-18, true
	}
	return 0, false
}
