package battery

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"fourwire/analysis/uncertain"
)

// DischargeOptions say how discharges are fitted.
type DischargeOptions struct {
	CapacityCoulomb float64   // 0: what the record with the smallest current drew
	From            float64   // charge at the beginning of each record; 0 is full
	Charges         []float64 // where the table has its points, rising; nil is dense below 10 %
	Ohm             float64   // resistance of the cell, for one record or several of one rate
	CutoffVolts     float64   // what comes after the voltage first falls below it does not count; 0 takes everything
	Cubic           bool      // read between the points by a monotone cubic afterwards
}

// Node is one fitted point of a table.
type Node struct {
	Charge float64 `json:"charge"`
	Figure
}

// DischargeFit is what discharges gave.
type DischargeFit struct {
	CapacityCoulomb float64  `json:"capacity_coulomb"`
	OCV             []Node   `json:"open_circuit"`
	Ohm             []Node   `json:"resistance"` // all resistances together, the pairs settled; empty where it was given
	ResidualVolts   float64  `json:"residual_volts"`
	WorstVolts      float64  `json:"worst_volts"`
	Samples         int      `json:"samples"`
	Pooled          int      `json:"pooled"` // points taken out because they did not rise
	Notes           []string `json:"notes,omitempty"`
}

// Charges is where a table has its points when nothing else is asked for: dense below 10 %, where an 11-point table is off
// by 0.2 to 0.6 V (published comparison of five cells), and near full.
func Charges() []float64 {
	return []float64{0, 0.005, 0.01, 0.02, 0.03, 0.04, 0.05, 0.07, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 0.98, 1}
}

// FitDischarge fits a table of open-circuit voltage, and where the rates differ one of resistance, to one or several
// discharges from the same charge, after V = OCV(s) - i R(s), both piecewise linear: an ordinary least-squares fit of their
// points. One discharge at a low rate gives the voltage less i R of the resistance stated, which nothing in it can tell.
// Two rates, at least a factor of two apart, give both. Points that do not rise are pooled and counted.
func FitDischarge(records []*Record, o DischargeOptions) (*Cell, DischargeFit, error) {
	var f DischargeFit
	if len(records) == 0 {
		return nil, f, errors.New("no discharge to fit")
	}
	d := discharges{o: o, charges: o.Charges}
	if d.charges == nil {
		d.charges = Charges()
	}
	if err := d.take(records); err != nil {
		return nil, f, err
	}
	f.CapacityCoulomb = d.capacity
	d.knots()
	x, std, err := d.solve(&f)
	if err != nil {
		return nil, f, err
	}
	m := len(d.ocv)
	for i, s := range d.ocv {
		f.OCV = append(f.OCV, Node{s, Figure{x[i], std[i]}})
	}
	for i, s := range d.ohm {
		f.Ohm = append(f.Ohm, Node{s, Figure{x[m+i], std[m+i]}})
	}
	f.pool()
	c, err := f.cell(o)
	return c, f, err
}

// discharges is the work of one fit.
type discharges struct {
	o        DischargeOptions
	charges  []float64
	capacity float64
	records  []*Record
	charge   [][]float64 // of each sample
	rates    []float64   // median current of each record
	slow     int
	low      float64 // the lowest charge seen at all
	lowTwo   float64 // the lowest charge seen at more than one rate
	ocv, ohm []float64
	twoRates bool
}

// cut takes what comes behind the cut-off away.
func (d *discharges) cut(r *Record) *Record {
	for i, v := range r.Volts {
		if v < d.o.CutoffVolts && i >= 2 {
			part := r.Part(0, i)
			return &part
		}
	}
	return r
}

func (d *discharges) take(records []*Record) error {
	slowest := math.Inf(1)
	for i, r := range records {
		if err := r.Check(); err != nil {
			return fmt.Errorf("discharge %d: %w", i+1, err)
		}
		r = d.cut(r)
		d.records = append(d.records, r)
		rate := median(r.Amps)
		if !(rate > 0) {
			return fmt.Errorf("discharge %d: the median current is %g A; current drawn is counted positive", i+1, rate)
		}
		if rate < slowest {
			slowest, d.slow = rate, i
		}
		d.rates = append(d.rates, rate)
	}
	if d.capacity = d.o.CapacityCoulomb; d.capacity == 0 {
		_, d.capacity = d.records[d.slow].Charge()
	}
	if !(d.capacity > 0) {
		return errors.New("no charge was drawn")
	}
	from := d.o.From
	if from == 0 {
		from = 1
	}
	for _, rate := range d.rates {
		d.twoRates = d.twoRates || rate >= 2*slowest
	}
	d.low, d.lowTwo = 1, 1
	for i, r := range d.records {
		drawn, _ := r.Charge()
		lowest := 1.0
		for k := range drawn {
			drawn[k] = from - drawn[k]/d.capacity
			lowest = min(lowest, drawn[k])
		}
		d.charge = append(d.charge, drawn)
		d.low = min(d.low, lowest)
		if d.rates[i] >= 2*slowest {
			d.lowTwo = min(d.lowTwo, lowest)
		}
	}
	if d.low < -0.02 {
		return fmt.Errorf("%.4g %% of the capacity stated was drawn: state the right capacity, or none", 100*(from-d.low))
	}
	d.low, d.lowTwo = max(0, d.low), max(0, d.lowTwo)
	return nil
}

// knots chooses the points that the data can carry: each piece needs samples.
func (d *discharges) knots() {
	carries := func(low, high float64, fast bool) bool {
		n := 0
		for i, charge := range d.charge {
			if fast && d.rates[i] < 2*d.rates[d.slow] {
				continue
			}
			for k, s := range charge {
				if s >= low && s <= high && !math.IsNaN(d.records[i].Volts[k]) {
					n++
				}
			}
		}
		return n >= 3
	}
	pick := func(wanted []float64, low float64, fast bool) []float64 {
		out := []float64{1}
		for i := len(wanted) - 1; i >= 0; i-- {
			if s := wanted[i]; s < 1 && s >= low-1e-9 && carries(s, out[0], fast) {
				out = append([]float64{s}, out...)
			}
		}
		switch { // the lowest point is where the data end
		case out[0] <= low+1e-9:
		case carries(low, out[0], fast):
			out = append([]float64{low}, out...)
		case len(out) > 1:
			out[0] = low
		}
		return out
	}
	d.ocv = pick(d.charges, d.low, false)
	if d.twoRates {
		d.ohm = pick([]float64{0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1}, d.lowTwo, true)
	}
}

// hat finds the piece of the knots that holds s, and the share of its upper end; beyond them the ends count.
func hat(knots []float64, s float64) (piece int, upper float64) {
	n := len(knots)
	switch {
	case n == 1 || s <= knots[0]:
		return 0, 0
	case s >= knots[n-1]:
		return n - 2, 1
	}
	for knots[piece+1] < s {
		piece++
	}
	return piece, (s - knots[piece]) / (knots[piece+1] - knots[piece])
}

// solve fits all points at once; std is the expanded uncertainty of each.
func (d *discharges) solve(f *DischargeFit) (x, std []float64, err error) {
	m, n := len(d.ocv), len(d.ocv)+len(d.ohm)
	a, b := mat.NewSymDense(n, nil), make([]float64, n)
	add := func(with func(terms []hatTerm, y, w float64)) {
		terms := make([]hatTerm, 0, 4)
		for i, r := range d.records {
			for k, v := range r.Volts {
				if math.IsNaN(v) {
					continue
				}
				y := v
				s := d.charge[i][k]
				piece, up := hat(d.ocv, s)
				terms = append(terms[:0], hatTerm{piece, 1 - up}, hatTerm{min(piece+1, m-1), up})
				if d.twoRates {
					piece, up = hat(d.ohm, s)
					terms = append(terms, hatTerm{m + piece, -r.Amps[k] * (1 - up)}, hatTerm{m + min(piece+1, len(d.ohm)-1), -r.Amps[k] * up})
				} else {
					y += r.Amps[k] * d.o.Ohm
				}
				with(terms, y, r.weight(k))
			}
		}
	}
	centre := d.records[d.slow].Volts[0]
	if math.IsNaN(centre) {
		centre = 0
	}
	add(func(terms []hatTerm, y, w float64) {
		for p, t := range terms {
			b[t.at] += w * t.x * (y - centre)
			for q, u := range terms {
				if u.at > t.at || u.at == t.at && q >= p {
					factor := 1.0
					if u.at == t.at && q > p {
						factor = 2
					}
					a.SetSym(t.at, u.at, a.At(t.at, u.at)+factor*w*t.x*u.x)
				}
			}
		}
	})
	if x, err = normal(a, b); err != nil {
		return nil, nil, fmt.Errorf("%w: the records do not reach all points of the table; ask for fewer points, or discharge further", err)
	}
	for i := range m {
		x[i] += centre
	}
	var squares Sum
	var residuals []float64
	add(func(terms []hatTerm, y, w float64) {
		for _, t := range terms {
			y -= t.x * x[t.at]
		}
		squares.Add(w * y * y)
		residuals = append(residuals, y)
		f.WorstVolts = max(f.WorstVolts, math.Abs(y))
	})
	f.Samples = len(residuals)
	free := float64(f.Samples - n)
	if free < 1 {
		return nil, nil, fmt.Errorf("%d samples are too few for %d points", f.Samples, n)
	}
	f.ResidualVolts = math.Sqrt(squares.Value() / free)
	factor := uncertain.Factor(uncertain.Coverage95, free)
	if lag := uncertain.Describe(residuals).Lag1; lag > 2/math.Sqrt(float64(f.Samples)) && lag < 0.999 {
		factor *= math.Sqrt((1 + lag) / (1 - lag))
		f.Notes = append(f.Notes, fmt.Sprintf("neighbouring residuals are alike (correlation %.2f): the cell bends more than the table; uncertainties are widened for it", lag))
	}
	std = make([]float64, n)
	unit := make([]float64, n)
	for i := range n {
		clear(unit)
		unit[i] = 1
		column, err := normal(a, unit)
		if err != nil {
			return nil, nil, err
		}
		std[i] = factor * f.ResidualVolts * math.Sqrt(max(0, column[i]))
	}
	return x, std, nil
}

// hatTerm is one figure's share in a voltage.
type hatTerm struct {
	at int
	x  float64
}

// pool makes the open-circuit points rise.
func (f *DischargeFit) pool() {
	charge, volts := make([]float64, len(f.OCV)), make([]float64, len(f.OCV))
	u := map[float64]float64{}
	for i, n := range f.OCV {
		charge[i], volts[i] = n.Charge, n.Value
		u[n.Charge] = n.U
	}
	charge, volts, f.Pooled = Pool(charge, volts)
	if f.Pooled == 0 {
		return
	}
	f.OCV = f.OCV[:0]
	for i := range charge {
		f.OCV = append(f.OCV, Node{Charge: charge[i], Figure: Figure{Value: volts[i], U: u[charge[i]]}})
	}
	f.Notes = append(f.Notes, pooledNote(f.Pooled))
}

func pooledNote(n int) string {
	return fmt.Sprintf("%d points of the open-circuit voltage did not rise; they were made plateaus at their means", n)
}

// plateau is the rise, in volt, over a stretch of a table that in itself does not rise.
const plateau = 20e-6

// Pool makes a table rise: a stretch that does not becomes a plateau at its mean, from its first charge to its last, with a
// rise of 20 uV at most so that a voltage still stands for one charge (pool adjacent violators; from memory). It tells how
// many points were changed.
func Pool(charge, volts []float64) (c, v []float64, pooled int) {
	type block struct{ volts, n, first, last float64 }
	var blocks []block
	for i := range charge {
		blocks = append(blocks, block{volts[i], 1, charge[i], charge[i]})
		for len(blocks) > 1 {
			a, b := blocks[len(blocks)-2], blocks[len(blocks)-1]
			if b.volts > a.volts {
				break
			}
			n := a.n + b.n
			blocks = append(blocks[:len(blocks)-2], block{(a.volts*a.n + b.volts*b.n) / n, n, a.first, b.last})
		}
	}
	for i, b := range blocks {
		if b.n == 1 {
			c, v = append(c, b.first), append(v, b.volts)
			continue
		}
		rise := plateau / 2
		if i > 0 {
			rise = min(rise, (b.volts-blocks[i-1].volts)/4)
		}
		if i < len(blocks)-1 {
			rise = min(rise, (blocks[i+1].volts-b.volts)/4)
		}
		c, v = append(c, b.first, b.last), append(v, b.volts-rise, b.volts+rise)
		pooled += int(b.n)
	}
	return c, v, pooled
}

// cell makes a cell of the fit, with its ends at 0 and 100 %.
func (f *DischargeFit) cell(o DischargeOptions) (*Cell, error) {
	charge, volts := make([]float64, len(f.OCV)), make([]float64, len(f.OCV))
	for i, n := range f.OCV {
		charge[i], volts[i] = n.Charge, n.Value
	}
	charge, volts, note := complete(charge, volts)
	if note != "" {
		f.Notes = append(f.Notes, note)
	}
	how := Linear
	if o.Cubic {
		how = Cubic
	}
	table, err := Rising(charge, volts, how)
	if err != nil {
		return nil, err
	}
	c := &Cell{CapacityCoulomb: f.CapacityCoulomb, OCV: table, Ohm: Constant(o.Ohm)}
	if len(f.Ohm) > 0 {
		charge, ohm := make([]float64, len(f.Ohm)), make([]float64, len(f.Ohm))
		for i, n := range f.Ohm {
			charge[i], ohm[i] = n.Charge, max(0, n.Value)
		}
		if c.Ohm, err = NewTable(charge, ohm, Linear); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// complete adds the ends at 0 and 100 % that were not measured, along the slope of the last piece.
func complete(charge, volts []float64) (c, v []float64, note string) {
	n := len(charge)
	if n < 2 {
		return charge, volts, ""
	}
	low, high := charge[0], charge[n-1]
	if low > 1e-3 {
		slope := (volts[1] - volts[0]) / (charge[1] - charge[0])
		charge, volts = append([]float64{0}, charge...), append([]float64{max(volts[0]-slope*low, 0)}, volts...)
		note = fmt.Sprintf("below %.4g %% nothing was measured; the table goes on along its last slope", 100*low)
	} else {
		charge[0] = 0
	}
	n = len(charge)
	if high < 1-1e-3 {
		slope := (volts[n-1] - volts[n-2]) / (charge[n-1] - charge[n-2])
		charge, volts = append(charge, 1), append(volts, volts[n-1]+slope*(1-high))
		if note != "" {
			note += "; "
		}
		note += fmt.Sprintf("above %.4g %% nothing was measured; the table goes on along its last slope", 100*high)
	} else {
		charge[n-1] = 1
	}
	return charge, volts, note
}
