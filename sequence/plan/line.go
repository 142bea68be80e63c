package plan

import (
	"math"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/quantity"
)

// DefaultLoopHenry is the inductance of a pair of leads whose wire states none: a loop of about a metre at 1 uH for each
// metre of loop; common practice, no source.
const DefaultLoopHenry = 1e-6

// line is what stands between the terminals of a role and its node.
type line struct {
	leadOhm   float64 // of one conductor
	loopHenry float64
	stated    bool    // the inductance is
	meters    []Meter // ammeters in one of the conductors
}

func (c *binder) line(r Role) line {
	l := line{leadOhm: r.LeadOhm, loopHenry: r.LoopHenry, stated: r.LoopHenry > 0, meters: c.meters(r.Need.Node, bench.Ammeter)}
	if !l.stated {
		l.loopHenry = DefaultLoopHenry
	}
	return l
}

// burden is the resistance of the ammeters on the ranges that hold a current, and the name of the one with most.
func (l line) burden(amps float64) (ohm float64, name string) {
	most := 0.0
	for _, m := range l.meters {
		if len(m.Specs) == 0 {
			continue
		}
		r := model.Pick(m.Specs, amps).ResistanceOhm
		if ohm += r; r > most {
			most, name = r, m.Channel.String()
		}
	}
	return ohm, name
}

// drop is the voltage that both conductors and the ammeters take at a current; no sign.
func (l line) drop(amps float64) float64 {
	burden, _ := l.burden(amps)
	return math.Abs(amps) * (2*l.leadOhm + burden)
}

func (l line) inductance() string {
	if l.stated {
		return "inductance stated by the wire"
	}
	return "1 uH for each metre of loop, one metre assumed"
}

// compensation: remote sense makes up for so much drop in each conductor.
func (l line) compensation(m *margins, at string, amps, compensates float64) {
	drop := math.Abs(amps) * l.leadOhm
	burden, name := l.burden(amps)
	switch {
	case drop == 0 && compensates == 0:
		m.add("sense", at, -1, "remote sense is wired, the channel has none")
		return
	case compensates == 0:
		m.add("sense", at, -1, "remote sense is wired, the channel has none: %s x %s = %s of each conductor", quantity.Amp(amps), quantity.Ohm(l.leadOhm), quantity.Volt(drop))
		return
	}
	m.add("sense", at, 1-drop/compensates, "%s x %s = %s of %s in each conductor", quantity.Amp(amps), quantity.Ohm(l.leadOhm), quantity.Volt(drop), quantity.Volt(compensates))
	if burden > 0 {
		drop += math.Abs(amps) * burden
		m.add("burden", at, 1-drop/compensates, "%s x (%s + %s of %s) = %s of %s in its conductor", quantity.Amp(amps), quantity.Ohm(l.leadOhm), quantity.Ohm(burden), name,
			quantity.Volt(drop), quantity.Volt(compensates))
	}
}

// slewText writes a slew as benches say it: 500 mA/us, 1 V/ms.
func slewText(si float64, dim quantity.Dimension) string {
	of := func(x float64) string { return quantity.Of(x, dim.Times(quantity.Time)).Text(4) }
	switch x := math.Abs(si); {
	case x >= 1e5:
		return of(si/1e6) + "/us"
	case x >= 1e3:
		return of(si/1e3) + "/ms"
	}
	return of(si) + "/s"
}
