package sweep

import (
	"fmt"
	"math"

	"fourwire/quantity"
)

// Law names the rule that sets a limit for external power supplies.
type Law uint8

// The rules.
const (
	EU2019 Law = iota + 1 // Regulation (EU) 2019/1782
	US430                 // 10 CFR 430.32(w), international efficiency mark VI
	MarkV                 // international efficiency mark V (older)
	MarkIV                // international efficiency mark IV (older)
)

func (l Law) String() string {
	if int(l) < len(lawNames) {
		return lawNames[l]
	}
	return lawNames[0]
}

var lawNames = [...]string{"no rule", "Regulation (EU) 2019/1782", "10 CFR 430.32(w) (mark VI)", "international efficiency mark V", "international efficiency mark IV"}

// Category is a kind of external power supply.
type Category uint8

// The categories.
const (
	BasicVoltage    Category = iota + 1 // AC-DC that is not of low voltage
	LowVoltage                          // AC-DC below 6 V and at 550 mA or more
	MultipleVoltage                     // several outputs at once
	ACtoAC                              // AC-AC
)

func (c Category) String() string {
	if int(c) < len(categoryNames) {
		return categoryNames[c]
	}
	return categoryNames[0]
}

var categoryNames = [...]string{"no category", "AC-DC basic voltage", "AC-DC low voltage", "multiple voltage", "AC-AC"}

// CategoryOf is the category of an AC-DC supply with one output, by its nameplate.
func CategoryOf(output quantity.Volt, rated quantity.Amp) Category {
	if output < 6 && rated >= 0.55 {
		return LowVoltage
	}
	return BasicVoltage
}

// SupplyLimit is what a rule asks of an external power supply.
type SupplyLimit struct {
	Law        Law
	Category   Category
	Average    float64       // least average active efficiency, as a ratio
	Formula    string        // with P in W
	NoLoad     quantity.Watt // greatest input without load; NaN: not recorded here
	FromMemory bool          // the row was written down from memory: look it up before relying on it
}

// row is average = a ln(P) + b P + c over low < P <= high, P in watts.
type row struct {
	low, high, a, b, c, noLoad float64
	memory                     bool
}

// Limits of the rules. EU: read in the regulation's tables at legislation.gov.uk (eur/2019/1782); which column is AC-AC was
// inferred from the order of the categories. US: basic and low voltage read as quoted in a public answer on
// sustainability.stackexchange.com (question 10535), the others from memory. Marks IV and V: read as quoted by makers of
// supplies.
func rows(l Law, c Category) []row {
	unknown, beyond := math.NaN(), math.Inf(1)
	standard := func(small, large, above float64, memory bool) []row {
		return []row{{0, 1, 0, 0.5, 0.160, small, memory}, {1, 49, 0.071, -0.0014, 0.67, small, memory}, {49, 250, 0, 0, 0.880, large, memory}, {250, beyond, 0, 0, 0.875, above, memory}}
	}
	low := func(above float64) []row {
		return []row{{0, 1, 0, 0.517, 0.087, 0.10, false}, {1, 49, 0.0834, -0.0014, 0.609, 0.10, false}, {49, 250, 0, 0, 0.870, 0.21, false}, {250, beyond, 0, 0, 0.875, above, false}}
	}
	multiple := func(high float64, memory bool) []row {
		return []row{{0, 1, 0, 0.497, 0.067, 0.30, memory}, {1, 49, 0.075, 0, 0.561, 0.30, memory}, {49, high, 0, 0, 0.860, 0.30, memory}}
	}
	switch l {
	case EU2019:
		switch c {
		case BasicVoltage:
			return standard(0.10, 0.21, 0, false)[:3]
		case LowVoltage:
			return low(0)[:3]
		case MultipleVoltage:
			return multiple(250, false)
		case ACtoAC:
			return standard(0.21, 0.21, 0, false)[:3]
		}
	case US430:
		switch c {
		case BasicVoltage:
			return standard(0.10, 0.21, 0.50, false)
		case LowVoltage:
			return low(0.50)
		case MultipleVoltage:
			return multiple(beyond, true)
		case ACtoAC:
			return standard(0.21, 0.21, 0.50, true)
		}
	case MarkV:
		switch c {
		case BasicVoltage, ACtoAC:
			return []row{{0, 1, 0, 0.480, 0.140, unknown, false}, {1, 49, 0.0626, 0, 0.622, unknown, false}, {49, 250, 0, 0, 0.87, unknown, false}}
		case LowVoltage:
			return []row{{0, 1, 0, 0.497, 0.067, unknown, false}, {1, 49, 0.075, 0, 0.561, unknown, false}, {49, 250, 0, 0, 0.86, unknown, false}}
		}
	case MarkIV:
		if c == BasicVoltage || c == ACtoAC || c == LowVoltage {
			return []row{{0, 1, 0, 0.5, 0, unknown, false}, {1, 51, 0.09, 0, 0.5, unknown, false}, {51, 250, 0, 0, 0.85, unknown, false}}
		}
	}
	return nil
}

// LimitOf is the limit that a rule sets for a supply of a rated (nameplate) output power. The formulas are those published in
// the rule, with P in watts and the natural logarithm; [SupplyLimit.FromMemory] marks the rows that were not read there.
func LimitOf(l Law, c Category, rated quantity.Watt) (SupplyLimit, error) {
	table := rows(l, c)
	if table == nil {
		return SupplyLimit{}, fmt.Errorf("%s has no row for %s here", l, c)
	}
	p := float64(rated)
	for _, r := range table {
		if p > r.low && p <= r.high {
			return SupplyLimit{
				Law: l, Category: c, Average: r.average(p), Formula: r.formula(), NoLoad: quantity.Watt(r.noLoad), FromMemory: r.memory,
			}, nil
		}
	}
	return SupplyLimit{}, fmt.Errorf("%s covers supplies above 0 W and up to %g W; this one is rated %s", l, table[len(table)-1].high, rated)
}

func (r row) average(p float64) float64 {
	out := r.b*p + r.c
	if r.a != 0 {
		out += r.a * math.Log(p)
	}
	return out
}

func (r row) formula() string {
	switch {
	case r.a != 0 && r.b != 0:
		return fmt.Sprintf("%g ln P %+g P %+g", r.a, r.b, r.c)
	case r.a != 0:
		return fmt.Sprintf("%g ln P %+g", r.a, r.c)
	case r.b != 0:
		return fmt.Sprintf("%g P %+g", r.b, r.c)
	}
	return fmt.Sprintf("%g", r.c)
}
