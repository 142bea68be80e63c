package plan

import (
	"fmt"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence"
)

// checkMeasuring looks at what measure and zero steps ask of the meters that will serve them.
func (c *binder) checkMeasuring() {
	complained := map[diag.Place]bool{}
	once := func(at diag.Place, hint, format string, args ...any) {
		if !complained[at] {
			complained[at] = true
			c.found.AddHint(at, hint, format, args...)
		}
	}
	w := newWalker(c.plan, hooks{
		zero: func(w *walker, z *sequence.Zero) {
			for i, st := range w.state {
				if st.On && w.inactive == 0 {
					once(z.At(), "put it before the first source step", "a zero is read with everything off; %s is on here%s", c.plan.Roles[i].Need.Name, andAt(w.where()))
				}
			}
		},
		measure: func(_ *walker, m *sequence.Measure, _ int) {
			for _, r := range m.Readings {
				k := c.plan.GaugeIndex(r.Function, r.Node)
				if k < 0 {
					continue
				}
				g := &c.plan.Gauges[k]
				if q, ok := m.Ranges[r.Name]; ok && q.SI > g.Ranges[len(g.Ranges)-1] {
					once(m.At(), fmt.Sprintf("its largest holds %s", quantity.Of(g.Ranges[len(g.Ranges)-1], q.Dim)), "no range of %s, which reads %s, holds %s", g.Channel, g.Name(), q)
				}
				if most := g.Aperture.Most; most > 0 && m.Aperture.SI > most.Seconds()*(1+1e-9) {
					once(m.At(), "take the mean of several: average", "%s, which reads %s, integrates for %s at most; %s is asked", g.Channel, g.Name(), quantity.Second(most.Seconds()), m.Aperture)
				}
			}
		},
	})
	w.run()
}
