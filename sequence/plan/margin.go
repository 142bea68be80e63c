package plan

import (
	"fmt"
	"math"
	"sort"

	"fourwire/quantity"
)

// demand is what one planned point asks of a role.
type demand struct {
	set    float64           // of a source: the voltage as set; NaN: not set, or not known before the run
	volts  float64           // of a source: set; of a load: highest at its node; NaN: not known
	low    float64           // of a load: lowest at its node; NaN: not known
	amps   float64           // of a source: its current limit; of a load: what it carries; NaN: not known
	watts  float64           // NaN: volts times amps
	hold   quantity.Quantity // of a load
	forced bool              // a source holds amps, of either sign; volts is its compliance
}

type planned struct {
	demand
	at string // coordinates of the first point that asks it
}

// margins collects the smallest margin of each kind.
type margins struct{ list []Margin }

func (m *margins) add(kind, at string, part float64, format string, args ...any) {
	m.put(Margin{Kind: kind, Part: part, At: at}, format, args)
}

// enough adds a margin of a demand that has its reserve in it already: a tenth of a step, a factor of 1.2.
func (m *margins) enough(kind, at string, part float64, format string, args ...any) {
	m.put(Margin{Kind: kind, Part: part, At: at, Enough: true}, format, args)
}

func (m *margins) put(one Margin, format string, args []any) {
	for i := range m.list {
		if m.list[i].Kind != one.Kind {
			continue
		}
		if one.Part < m.list[i].Part {
			one.Text = fmt.Sprintf(format, args...)
			m.list[i] = one
		}
		return
	}
	one.Text = fmt.Sprintf(format, args...)
	m.list = append(m.list, one)
}

// within adds 1 - asked/available, in words. Values that are not known are left out.
func (m *margins) within(kind, at string, asked, available float64, dim quantity.Dimension) {
	if math.IsNaN(asked) || math.IsNaN(available) || math.IsInf(available, 0) {
		return
	}
	part := 1 - math.Abs(asked)/math.Abs(available)
	if available == 0 {
		part = -math.Abs(asked)
	}
	m.add(kind, at, part, "%s of %s", quantity.Of(asked, dim), quantity.Of(available, dim))
}

func (m *margins) sorted() []Margin {
	sort.SliceStable(m.list, func(i, j int) bool { return m.list[i].tighter(m.list[j]) })
	return m.list
}

func none(x float64) bool { return math.IsNaN(x) }
