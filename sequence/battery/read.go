package battery

import (
	"errors"
	"math"
	"strings"

	cell "fourwire/analysis/battery"
	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Limits of what is taken for a battery: beyond them a slip of the pen is likelier.
const (
	mostPoints = 20000
	mostVolts  = 1500.0
	mostOhm    = 1e6
	mostTau    = 30 * 86400.0
)

// Read reads a battery file. All that is wrong with it is among the findings; the file is nil then.
func Read(name string, data []byte, found *diag.Findings) *File {
	var own diag.Findings
	root := diag.Parse(name, data, &own)
	var f *File
	if root != nil && Shape().Check(root, &own) {
		r := reader{found: &own, file: &File{Name: name, Text: data, Place: root.Place}}
		r.read(root)
		f = r.file
	}
	found.Source(name, data)
	found.Join(own.List())
	if own.Failed() {
		return nil
	}
	return f
}

type reader struct {
	found *diag.Findings
	file  *File
}

func (r *reader) read(root *diag.Node) {
	f := r.file
	c := &f.Cell
	f.Title, f.Source = word(root.Get("title")), word(root.Get("source"))
	c.CapacityCoulomb = r.between(root, "capacity", 1e-3, 3.6e8)
	c.Tolerance = r.between(root, "tolerance", 0, 0.9)
	how := cell.Linear
	if word(root.Get("interpolation")) == "cubic" {
		how = cell.Cubic
	}
	c.OCV = r.openCircuit(root.Get("open_circuit"), how)
	c.Ohm = r.resistance(root.Get("resistance"))
	if pairs := root.Get("pairs"); pairs != nil {
		for i, n := range pairs.Items {
			if i == cell.MostPairs {
				r.found.AddHint(n.Place, "keep those that matter between your shortest pulse and your longest", "a battery has at most %d pairs", cell.MostPairs)
				break
			}
			c.Pairs = append(c.Pairs, cell.Pair{Ohm: r.resistance(n.Get("ohm")), TauSeconds: r.between(n, "tau", 1e-6, mostTau)})
		}
	}
	r.limits(root)
	r.losses(root)
}

// limits reads what switches the battery off and on.
func (r *reader) limits(root *diag.Node) {
	c := &r.file.Cell
	_, volts := c.OCV.Points()
	if len(volts) == 0 {
		return
	}
	lowest, highest := volts[0], volts[len(volts)-1]
	c.CutoffVolts = r.between(root, "cutoff", 1e-3, mostVolts)
	if n := root.Get("cutoff"); n != nil && c.CutoffVolts >= highest {
		r.found.AddHint(n.Place, "give the lowest voltage that the load still works with", "a cutoff of %s is not below the voltage of the full battery, %s", n.Text, volt(highest))
	}
	if n := root.Get("recover"); n != nil {
		c.RecoverVolts = r.between(root, "recover", 1e-3, mostVolts)
		switch {
		case root.Get("cutoff") == nil:
			r.found.AddHint(n.Place, "as in cutoff: 2.8 V", "recover belongs to a cutoff; there is none")
		case c.RecoverVolts <= c.CutoffVolts:
			r.found.AddHint(n.Place, "leave a distance of some times resistance times current", "recover, %s, is not above cutoff, %s: the battery would switch on and off without end", n.Text, word(root.Get("cutoff")))
		case c.RecoverVolts > highest:
			r.found.Add(n.Place, "the battery cannot recover to %s: full, it has %s", n.Text, volt(highest))
		}
	}
	if n := root.Get("cutoff"); n != nil && c.CutoffVolts > 0 && c.CutoffVolts < lowest {
		r.found.Warn(n.Place, "check which of the two is meant", "the cutoff, %s, is below the voltage of the empty battery, %s: it is never reached without load", n.Text, volt(lowest))
	}
}

// losses reads self-discharge, efficiency, temperature, ageing and shelf life.
func (r *reader) losses(root *diag.Node) {
	c := &r.file.Cell
	if n := root.Get("self_discharge"); n != nil {
		s, err := quantity.ParseSpanAs(n.Text, quantity.Ratio)
		switch {
		case err != nil:
			r.found.Add(n.Place, "%s", err)
		case !(s.Low >= 0 && s.High <= 20):
			r.found.AddHint(n.Place, "as in 1..2 %", "a self_discharge of %s a year: from 0 %% to 2000 %% is taken", n.Text)
		default:
			c.SelfDischarge = [2]float64{s.Low, s.High}
		}
	}
	if n := root.Get("efficiency"); n != nil {
		c.Efficiency = r.between(root, "efficiency", 0.1, 1)
	}
	if n := root.Get("temperature"); n != nil {
		c.KelvinReference = r.between(n, "reference", 200, 400)
		c.ActivationJoulePerMole = r.activation(n.Get("activation"))
	}
	if n := root.Get("ageing"); n != nil {
		c.CapacityScale = r.between(n, "capacity", 0.05, 2)
		c.OhmScale = r.between(n, "resistance", 0.05, 100)
	}
	if root.Get("shelf_life") != nil {
		r.file.ShelfSeconds = r.between(root, "shelf_life", 3600, 200*cell.YearSeconds)
	}
}

// between reads a quantity that lies within limits; 0 where it is absent.
func (r *reader) between(parent *diag.Node, key string, low, high float64) float64 {
	n := parent.Get(key)
	if n == nil {
		return 0
	}
	q, err := quantity.Parse(n.Text)
	if err != nil {
		return 0 // the shape has said so
	}
	if !(q.SI >= low && q.SI <= high) {
		r.found.Add(n.Place, "a %s of %s: from %s to %s is taken", key, n.Text, quantity.Of(low, q.Dim), quantity.Of(high, q.Dim))
	}
	return q.SI
}

// activation reads an energy a mole, such as 25 kJ/mol: amount of substance is no dimension of a bench.
func (r *reader) activation(n *diag.Node) float64 {
	energy, molar := strings.CutSuffix(strings.TrimSpace(n.Text), "/mol")
	q, err := quantity.ParseAs(energy, quantity.Energy)
	switch {
	case !molar || err != nil:
		r.found.AddHint(n.Place, "as in 25 kJ/mol", "%q is no activation energy", n.Text)
	case !(q.SI >= 0 && q.SI <= 2e5):
		r.found.AddHint(n.Place, "20 to 30 kJ/mol is usual", "an activation of %s: from 0 to 200 kJ/mol is taken", n.Text)
	}
	return q.SI
}

// column is one table as written: where each charge stands, charge and value.
type column struct {
	places        []diag.Place
	charge, value []float64
}

func (r *reader) column(n *diag.Node, dim quantity.Dimension, example string) (col column, ok bool) {
	add := func(p diag.Place, charge, value string) {
		s, err := quantity.ParseAs(charge, quantity.Ratio)
		if err != nil {
			r.found.AddHint(p, "as in "+example, "%q is no charge", charge)
			ok = false
			return
		}
		v, err := quantity.ParseAs(value, dim)
		if err != nil {
			r.found.Add(p, "%s", err)
			ok = false
			return
		}
		col.places, col.charge, col.value = append(col.places, p), append(col.charge, s.SI), append(col.value, v.SI)
	}
	ok = true
	for _, e := range n.Entries {
		add(e.Place, e.Key, e.Value.Text)
	}
	for _, item := range n.Items {
		if len(item.Items) != 2 {
			r.found.AddHint(item.Place, "as in [50 %, "+strings.TrimSpace(example[strings.Index(example, ":")+1:])+"]", "a point of a table is a charge and a value; here are %d", len(item.Items))
			ok = false
			continue
		}
		add(item.Place, item.Items[0].Text, item.Items[1].Text)
	}
	if ok && len(col.charge) > mostPoints {
		r.found.Add(n.Place, "%d points; at most %d are taken", len(col.charge), mostPoints)
		ok = false
	}
	return col, ok
}

func (r *reader) openCircuit(n *diag.Node, how cell.Interpolation) cell.Table {
	col, ok := r.column(n, quantity.Voltage, "50 %: 3.7 V")
	if !ok {
		return cell.Table{}
	}
	if len(col.charge) < 2 {
		r.found.AddHint(n.Place, "eleven and some more at the knees are a good table", "an open-circuit voltage needs at least the points of the empty and the full battery")
		return cell.Table{}
	}
	for i, v := range col.value {
		if !(v >= 0 && v <= mostVolts) {
			r.found.Add(col.places[i], "an open-circuit voltage of %s: from 0 V to %s is taken", volt(v), volt(mostVolts))
			return cell.Table{}
		}
	}
	t, err := cell.Rising(col.charge, col.value, how)
	if r.fault(err, col, n) {
		return t
	}
	for i, end := range []float64{0, 1} {
		at := []int{0, len(col.charge) - 1}[i]
		if math.Abs(col.charge[at]-end) > 1e-9 {
			r.found.AddHint(col.places[at], "add the missing end, or the voltage stays as it is there",
				"the table %s at %s, not at %s", []string{"begins", "ends"}[i], quantity.Of(col.charge[at], quantity.Ratio), quantity.Of(end, quantity.Ratio))
			return t
		}
	}
	return t
}

func (r *reader) resistance(n *diag.Node) cell.Table {
	if n.Form == diag.Scalar {
		q, err := quantity.ParseAs(n.Text, quantity.Resistance)
		if err != nil || !(q.SI >= 0 && q.SI <= mostOhm) {
			r.found.Add(n.Place, "a resistance of %s: from 0 ohm to %s is taken", n.Text, quantity.Of(mostOhm, quantity.Resistance))
			return cell.Table{}
		}
		return cell.Constant(q.SI)
	}
	col, ok := r.column(n, quantity.Resistance, "50 %: 0.4 ohm")
	if !ok {
		return cell.Table{}
	}
	if len(col.charge) == 0 {
		r.found.Add(n.Place, "the table of a resistance is empty")
		return cell.Table{}
	}
	for i, v := range col.value {
		if !(v >= 0 && v <= mostOhm) {
			r.found.Add(col.places[i], "a resistance of %s: from 0 ohm to %s is taken", quantity.Of(v, quantity.Resistance), quantity.Of(mostOhm, quantity.Resistance))
			return cell.Table{}
		}
	}
	t, err := cell.NewTable(col.charge, col.value, cell.Linear)
	r.fault(err, col, n)
	return t
}

// fault notes what is wrong with a table, at its point.
func (r *reader) fault(err error, col column, n *diag.Node) bool {
	if err == nil {
		return false
	}
	place, hint, text := n.Place, "", err.Error()
	var t *cell.TableError
	if errors.As(err, &t) {
		text, hint = t.Text, t.Hint
		if t.Index < len(col.places) {
			place = col.places[t.Index]
		}
	}
	r.found.AddHint(place, hint, "%s", text)
	return true
}

func word(n *diag.Node) string {
	if n == nil {
		return ""
	}
	return n.Text
}

func volt(v float64) string { return quantity.Of(v, quantity.Voltage).String() }
