package quantity

import (
	"fmt"
	"sort"
	"strings"
)

// unit is one symbol that may stand after a number.
type unit struct {
	dim    Dimension
	scale  float64 // SI value of one
	offset float64 // SI value of zero, for degC only
	prefix bool    // takes SI prefixes
}

var units = map[string]unit{
	"V": {Voltage, 1, 0, true}, "A": {Current, 1, 0, true}, "W": {Power, 1, 0, true}, "ohm": {Resistance, 1, 0, true},
	"S": {Conductance, 1, 0, true}, "F": {Capacitance, 1, 0, true}, "H": {Inductance, 1, 0, true}, "Hz": {Frequency, 1, 0, true},
	"C": {Charge, 1, 0, true}, "J": {Energy, 1, 0, true}, "Ah": {Charge, 3600, 0, true}, "Wh": {Energy, 3600, 0, true},
	"s": {Time, 1, 0, true}, "min": {Time, 60, 0, false}, "h": {Time, 3600, 0, false}, "d": {Time, 86400, 0, false},
	"a": {Time, yearSeconds, 0, false}, // the Julian year of 365.25 d (IAU), in which lives and self-discharge are stated
	"K": {Temperature, 1, 0, true}, "degC": {Temperature, 1, 273.15, false},
	"%": {Ratio, 0.01, 0, false}, "ppm": {Ratio, 1e-6, 0, false},
}

var prefixes = map[string]float64{
	"f": 1e-15, "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6, "G": 1e9, "T": 1e12,
}

// synonyms are spellings that people use and that mean one thing only.
var synonyms = map[string]string{"Ω": "ohm", "Ohm": "ohm", "°C": "degC"}

// bare reads one symbol with an optional prefix: "mV", "ohm", "min".
func bare(symbol string) (unit, error) {
	for from, to := range synonyms {
		if rest, ok := strings.CutSuffix(symbol, from); ok {
			symbol = rest + to
			break
		}
	}
	if u, ok := units[symbol]; ok {
		return u, nil
	}
	for p, factor := range prefixes {
		rest, ok := strings.CutPrefix(symbol, p)
		if !ok {
			continue
		}
		if rest == "" {
			return unit{}, fmt.Errorf("the unit is missing; %s?", guesses(p))
		}
		if u, ok := units[rest]; ok && u.prefix {
			u.scale *= factor
			return u, nil
		}
	}
	return unit{}, fmt.Errorf("unknown unit %q%s", symbol, nearest(symbol))
}

// guesses names what somebody who wrote only a prefix may have meant.
func guesses(prefix string) string {
	return prefix + "A, " + prefix + "V, " + prefix + "s..."
}

// parseUnit reads a unit: a symbol, or a compound such as "V/us" or "kg.m2/s3.A" with at most one stroke. A bare length is
// none: "m" alone is taken for a prefix whose unit was forgotten.
func parseUnit(text string) (unit, error) {
	if last := len(text) - 1; !strings.ContainsAny(text, "/.") && (text == "" || text[last] < '2' || text[last] > '9') {
		return bare(text)
	}
	top, bottom, quotient := strings.Cut(text, "/")
	u, err := product(top)
	if err == nil && quotient {
		var d unit
		d, err = product(bottom)
		u = unit{dim: u.dim.Over(d.dim), scale: u.scale / d.scale}
	}
	if err != nil {
		return unit{}, err
	}
	if u.dim == (Dimension{Metre: 1}) {
		return unit{}, fmt.Errorf("%q: a length is not used here", text)
	}
	return u, u.dim.reasonable(text)
}

// product reads factors joined by points, each with a power of one digit: "kg.m2"; "1" stands for none.
func product(text string) (unit, error) {
	u := unit{scale: 1}
	if strings.TrimSpace(text) == "1" {
		return u, nil
	}
	for _, factor := range strings.Split(text, ".") {
		symbol, power := strings.TrimSpace(factor), 1
		if n := len(symbol); n > 1 && symbol[n-1] >= '2' && symbol[n-1] <= '9' {
			symbol, power = symbol[:n-1], int(symbol[n-1]-'0')
		}
		f, isBase := map[string]unit{"m": {dim: Dimension{Metre: 1}, scale: 1}, "kg": {dim: Dimension{Kilogram: 1}, scale: 1}}[symbol]
		if !isBase {
			var err error
			if f, err = bare(symbol); err != nil {
				return unit{}, err
			}
		}
		if f.offset != 0 {
			return unit{}, fmt.Errorf("%q: temperature inside a compound unit is written in K", text)
		}
		for range power {
			u.dim, u.scale = u.dim.Times(f.dim), u.scale*f.scale
			if err := u.dim.reasonable(text); err != nil {
				return unit{}, err
			}
		}
	}
	return u, nil
}

// reasonable refuses powers that no quantity has, before an exponent overflows.
func (d Dimension) reasonable(text string) error {
	for _, e := range []int8{d.Metre, d.Kilogram, d.Second, d.Ampere, d.Kelvin} {
		if e > 9 || e < -9 {
			return fmt.Errorf("%q: a power above 9 is no unit", text)
		}
	}
	return nil
}

// nearest is a hint with a unit that differs from symbol in case only, else one that shares its last letter.
func nearest(symbol string) string {
	var near []string
	for name, u := range units {
		if strings.EqualFold(name, symbol) {
			near = append(near, name)
			continue
		}
		if !u.prefix {
			continue
		}
		for p := range prefixes {
			if p != "µ" && p != "μ" && strings.EqualFold(p+name, symbol) {
				near = append(near, p+name)
			}
		}
	}
	if len(near) == 0 {
		return ""
	}
	sort.Strings(near)
	return "; " + strings.Join(near, " or ") + "?"
}

// Units lists the symbols that are known, without prefixes, in alphabetical order.
func Units() []string {
	names := make([]string, 0, len(units))
	for name := range units {
		names = append(names, name)
	}
	sort.Strings(names)
	return names
}
