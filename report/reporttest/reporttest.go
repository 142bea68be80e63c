// Package reporttest writes records of runs that never took place, for tests of what is made from records: the 5 V
// converter of a lake-monitoring buoy, its efficiency over input voltage and load.
package reporttest

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"time"

	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/record"
)

// Options changes the record; the zero value is a run that ends well with every limit met.
type Options struct {
	Mixed    bool // a point in the wrong mode, one over range, one not settled; limits that fail and that cannot be decided
	Unended  bool // no manifest
	Hostile  bool // texts of instruments and files that try to be markup, formulas and terminal commands
	Points   int  // loads per input voltage; 0 is 20
	LongText bool // names and texts longer than any page is wide
	Time     bool // an account of the time; a Mixed record has one besides
}

// HostileText is what an instrument says about itself in a hostile record.
const HostileText = "=HYPERLINK(\"x\")</script><script>alert(1)</script>\x1b[31m"

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// Write makes a record in dir, the same bytes every time.
func Write(dir string, o Options) error {
	v := clock.NewVirtual(noon)
	if o.Points == 0 {
		o.Points = 20
	}
	w, err := record.Create(dir, start(o, v))
	if err != nil {
		return err
	}
	r := run{Writer: w, o: o, clock: v, noise: rand.New(rand.NewPCG(7, 11))}
	if err := r.walk(); err != nil {
		return err
	}
	if o.Time || o.Mixed {
		if err := w.PutLedger(account(o)); err != nil {
			return err
		}
	}
	if o.Unended {
		return w.Close()
	}
	return w.Finish(record.End{Outcome: record.Overall(r.verdicts), Exit: map[record.Outcome]int{record.Fail: 1, record.Undecided: 2}[record.Overall(r.verdicts)]})
}

func start(o Options, c clock.Clock) record.Start {
	seed := uint64(7)
	title := "Buoy 5 V converter, efficiency over line and load"
	if o.LongText {
		title += ", board revision C of the second batch, potted, in the mooring's own enclosure with the long cable harness"
	}
	serial := "S1001"
	if o.Hostile {
		title, serial = "A & B <i>"+title, HostileText
	}
	return record.Start{
		ID: "0195565c-3c00-7000-8000-00000000b0a7", Tool: "fourwire 0.1.0", Title: title, Sequence: "line.yaml", Seed: &seed, Simulated: true,
		About: "Steps the load at three input voltages and compares efficiency, output voltage and loss with the converter's specification.",
		Bench: record.Bench{File: "bench.yaml", Title: "Converter bench", AmbientKelvin: 296.15},
		Instruments: []record.Instrument{
			{Name: "feed-psu", Address: "sim:feed-psu", Driver: "dc-source", Maker: "Bench", Model: "Source 20/5", Serial: serial, Firmware: "1.4", Calibrated: "2026-03-01", Roles: []string{"feed"}},
			{Name: "sink-1", Address: "sim:sink-1", Driver: "electronic-load", Maker: "Bench", Model: "Load 60/10", Serial: "L2002", Firmware: "2.0", Roles: []string{"sink"}},
			{Name: "dmm-in", Address: "sim:dmm-in", Driver: "meter", Maker: "Bench", Model: "Meter 6", Serial: "M3003", Firmware: "1.0", Calibrated: "2025-11-12"},
			{Name: "amm-in", Address: "sim:amm-in", Driver: "meter", Maker: "Bench", Model: "Meter 6", Serial: "M3004", Firmware: "1.0", Calibrated: "2025-11-12"},
		},
		Wiring: []record.Wire{
			{Channel: "feed-psu.1", Node: "dut.in", As: "source", Sense: "remote", LeadOhm: 0.015},
			{Channel: "sink-1.1", Node: "dut.out", As: "load", Sense: "remote", LeadOhm: 0.015},
			{Channel: "dmm-in.1", Node: "dut.in", As: "voltmeter"},
			{Channel: "amm-in.1", Node: "dut.in", As: "ammeter"},
		},
		Params: []record.Param{
			{Name: "vin", About: "input voltage", Values: []string{"9 V", "12 V", "16 V"}},
			{Name: "iout", About: "load current", Values: []string{"50 mA .. 3 A, " + fmt.Sprint(o.Points) + " points, log"}, Set: true},
		},
		Guards: []record.Guard{{Node: "dut.in", Volts: "..18 V", Amps: "..2.8 A"}, {Node: "dut.out", Volts: "..5.6 V", Amps: "..3.3 A"}},
		Curves: []record.Curve{
			{X: "io", Y: "efficiency", Per: "vin", LogX: true, Title: "Efficiency over load"},
			{X: "io", Y: "loss", Per: "vin", LogX: true, Title: "Loss over load"},
		},
		Planned: 3 * o.Points, Clock: c,
	}
}

var columns = []record.Column{
	{Name: "vin", Kind: record.Coordinate, Dim: quantity.Voltage},
	{Name: "iout", Kind: record.Coordinate, Dim: quantity.Current},
	{Name: "vi", Kind: record.Measured, Dim: quantity.Voltage, Node: "v(dut.in)", From: "dmm-in.1"},
	{Name: "ii", Kind: record.Measured, Dim: quantity.Current, Node: "i(dut.in)", From: "amm-in.1"},
	{Name: "vo", Kind: record.Measured, Dim: quantity.Voltage, Node: "v(dut.out)", From: "sink-1.1"},
	{Name: "io", Kind: record.Measured, Dim: quantity.Current, Node: "i(dut.out)", From: "sink-1.1"},
	{Name: "pin", Kind: record.Derived, Dim: quantity.Power, Expr: "vi * ii"},
	{Name: "pout", Kind: record.Derived, Dim: quantity.Power, Expr: "vo * io"},
	{Name: "efficiency", Kind: record.Derived, Dim: quantity.Ratio, Expr: "pout / pin"},
	{Name: "loss", Kind: record.Derived, Dim: quantity.Power, Expr: "pin - pout"},
	{Name: "headroom", Kind: record.Derived, Dim: quantity.Voltage, Expr: "vi - (vo + 250 mV)"},
	{Name: "ripple_bound", Kind: record.Derived, Dim: quantity.Voltage, Expr: "sqrt(vo * 1 V) / 100"},
	{Name: "bleed", Kind: record.Derived, Dim: quantity.Power, Expr: "vo ** 2 / 1 kohm"},
}

type run struct {
	*record.Writer
	o        Options
	clock    *clock.Virtual
	noise    *rand.Rand
	number   int
	verdicts []record.Verdict
	best     record.Cell
}

func (r *run) walk() error {
	if err := r.Input("line.yaml", []byte("fourwire: sequence/1\ntitle: Buoy 5 V converter, efficiency over line and load\n")); err != nil {
		return err
	}
	if err := r.Input("bench.yaml", []byte("fourwire: bench/1\ntitle: Converter bench\n")); err != nil {
		return err
	}
	if err := r.Columns(columns, false); err != nil {
		return err
	}
	for _, vin := range []float64{9, 12, 16} {
		r.Wire(r.clock.Now(), "feed-psu", "sim:feed-psu", true, fmt.Appendf(nil, "VOLT %g\n", vin))
		if err := r.Event(record.Event{Kind: "output", Text: fmt.Sprintf("feed on at %g V", vin), Fields: map[string]any{"role": "feed"}}); err != nil {
			return err
		}
		for i := range r.o.Points {
			at := 0.0
			if r.o.Points > 1 {
				at = float64(i) / float64(r.o.Points-1)
			}
			if err := r.point(vin, 0.05*math.Pow(60, at)); err != nil {
				return err
			}
		}
	}
	if r.o.Hostile {
		if err := r.Event(record.Event{Level: "error", Kind: "instrument", Text: HostileText}); err != nil {
			return err
		}
	}
	if err := r.Event(record.Event{Level: "warn", Kind: "note", Text: "sink runs 18 K above ambient at the end"}); err != nil {
		return err
	}
	for _, x := range []record.Result{
		{Name: "best_efficiency", Expr: "max(efficiency)", Unit: "1", SI: r.best.SI, U: r.best.U},
		{Name: "dropout", Expr: "crossing(vi, vo, 4.9 V)", Unit: "V", SI: math.NaN(), U: math.NaN(), Why: "vo never crosses 4.9 V"},
	} {
		if err := r.Result(x); err != nil {
			return err
		}
	}
	return nil
}

// point measures once. The losses are a made-up but usual sum: constant, in proportion to the load, with its square.
func (r *run) point(vin, iout float64) error {
	r.number++
	if err := r.clock.Sleep(context.Background(), 350*time.Millisecond); err != nil {
		return err
	}
	reading := func(x, gain, offset float64) record.Cell {
		u := gain*x + offset
		return record.Cell{SI: x + u/8*r.noise.NormFloat64(), U: u}
	}
	vo := 5.02 - 0.03*iout
	loss := 0.02 + 0.006*vin + (0.2+0.005*vin)*iout + 0.05*iout*iout
	c := map[string]record.Cell{
		"vin": {SI: vin, U: math.NaN()}, "iout": {SI: iout, U: math.NaN()},
		"vi": reading(vin, 0.0003, 0.002), "ii": reading((vo*iout+loss)/vin, 0.0005, 0.0001),
		"vo": reading(vo, 0.0002, 0.001), "io": reading(iout, 0.0005, 0.0002),
	}
	p := record.Point{Number: r.number, At: r.clock.Now().Sub(noon), Cells: c, Valid: true, Settled: true,
		Modes: map[string]string{"feed": "CV", "sink": "CC"}, Ranges: map[string]string{"vi": "20 V", "ii": "5 A", "vo": "20 V", "io": "6 A"}}
	if r.o.Mixed {
		mix(&p, r.o)
	}
	derive(c)
	if eff := c["efficiency"]; p.Status() == record.StatusOK && eff.SI > r.best.SI {
		r.best = eff
	}
	if r.o.Mixed {
		p.Notes = []string{fmt.Sprintf("ii: %s through dmm-in subtracted", quantity.Of(vin/10e6, quantity.Current).Text(6))}
	}
	if err := r.Point(p); err != nil {
		return err
	}
	if err := r.budgets(p); err != nil {
		return err
	}
	return r.judge(p)
}

// derive works the derived columns out, in the order of operations of their expressions.
func derive(c map[string]record.Cell) {
	vi, ii, v, i := c["vi"], c["ii"], c["vo"], c["io"]
	rel := func(a record.Cell) float64 { return a.U / a.SI }
	c["headroom"] = record.Cell{SI: vi.SI - (v.SI + 0.25), U: math.Hypot(vi.U, v.U)}
	c["ripple_bound"] = record.Cell{SI: math.Sqrt(v.SI) / 100, U: v.U / math.Sqrt(v.SI) / 200}
	c["bleed"] = record.Cell{SI: v.SI * v.SI / 1000, U: 2 * v.SI * v.U / 1000}
	pout := record.Cell{SI: v.SI * i.SI, Biggest: "sink-1 ch1 amps 6 A gain"}
	pout.U = pout.SI * math.Hypot(rel(v), rel(i))
	c["pout"] = pout
	if ii.Overload {
		return
	}
	pin := record.Cell{SI: vi.SI * ii.SI, Biggest: "amm-in ch1 amps 5 A offset"}
	pin.U = pin.SI * math.Hypot(rel(vi), rel(ii))
	eff := record.Cell{SI: pout.SI / pin.SI, Biggest: "amm-in ch1 amps 5 A offset"}
	eff.U = eff.SI * math.Hypot(rel(pin), rel(pout))
	c["pin"], c["efficiency"] = pin, eff
	c["loss"] = record.Cell{SI: pin.SI - pout.SI, U: math.Hypot(pin.U, pout.U), Biggest: "amm-in ch1 amps 5 A offset"}
}

// budgets keeps what the uncertainties consist of: gain and offset of each reading, as point made them.
func (r *run) budgets(p record.Point) error {
	type input struct {
		name, kind string
		part       float64 // of U, relative to the reading
	}
	inputs := map[string][]input{}
	for name, x := range map[string]struct {
		prefix       string
		gain, offset float64
	}{
		"vi": {"dmm-in ch1 volts 20 V", 0.0003, 0.002}, "ii": {"amm-in ch1 amps 5 A", 0.0005, 0.0001},
		"vo": {"sink-1 ch1 volts 20 V", 0.0002, 0.001}, "io": {"sink-1 ch1 amps 6 A", 0.0005, 0.0002},
	} {
		inputs[name] = []input{{x.prefix + " gain", "gain", x.gain}, {x.prefix + " offset", "offset", x.offset / p.Cells[name].SI}}
	}
	var values []map[string]any
	for _, c := range columns {
		var list []input
		switch from := map[string][]string{"pin": {"vi", "ii"}, "pout": {"vo", "io"}, "efficiency": {"vi", "ii", "vo", "io"}}[c.Name]; {
		case c.Kind == record.Measured:
			list = inputs[c.Name]
		default:
			for _, name := range from {
				list = append(list, inputs[name]...)
			}
		}
		sum := 0.0
		for _, in := range list {
			sum += in.part * in.part
		}
		if cell := p.Cells[c.Name]; !(sum > 0) || !(cell.U > 0) {
			continue
		}
		sort.SliceStable(list, func(i, j int) bool { return list[i].part > list[j].part })
		var parts []map[string]any
		rest, left := 0.0, 0
		for i, in := range list {
			share := in.part * in.part / sum
			if i >= 6 {
				rest, left = rest+share, left+1
				continue
			}
			parts = append(parts, map[string]any{"input": in.name, "kind": in.kind, "share": math.Round(1e5*share) / 1e5})
		}
		one := map[string]any{"name": c.Name, "std": p.Cells[c.Name].U / 2, "parts": parts}
		if left > 0 {
			one["rest"] = map[string]any{"inputs": left, "share": math.Round(1e5*rest) / 1e5}
		}
		values = append(values, one)
	}
	return r.Event(record.Event{Level: "debug", Kind: "budget", Text: "what uncertainties consist of", Fields: map[string]any{"point": p.Number, "values": values}})
}

// mix spoils some points of the run.
func mix(p *record.Point, o Options) {
	switch p.Number {
	case 13:
		p.Settled, p.Why = false, "v(dut.out) did not stay within 0.05 % for 20 ms in 2 s"
	case o.Points:
		p.Valid, p.Why = false, "feed is in CC at 9 V: its limit of 2 A was reached; raise the limit or lower iout"
		p.Modes["feed"] = "CC"
		vo := p.Cells["vo"]
		vo.SI *= 0.9
		p.Cells["vo"] = vo
	case o.Points + 4:
		p.Valid = false
		p.Cells["ii"] = record.Cell{SI: math.NaN(), U: math.NaN(), Overload: true}
		p.Why = "choose a larger range"
	}
}

// outside is the probability that a normal value lies beyond a limit from which it was found inside by so much.
func outside(inside, std float64) float64 { return math.Erfc(inside/std/math.Sqrt2) / 2 }

func (r *run) judge(p record.Point) error {
	lossBound := 1.6
	if r.o.Mixed {
		lossBound = 1.32
	}
	for _, l := range []struct {
		name, limit, clause, unit string
		bound                     float64
		lower                     bool
		from                      float64
	}{
		{"vo", "vo >= 4.9 V", "spec 4.1", "V", 4.9, true, 0},
		{"vo", "vo <= 5.1 V", "spec 4.1", "V", 5.1, false, 0},
		{"efficiency", "efficiency >= 88 %", "spec 4.2", "1", 0.88, true, 0.5},
		{"loss", "loss <= " + quantity.Of(lossBound, quantity.Power).String(), "spec 4.3", "W", lossBound, false, 0},
	} {
		if p.Cells["iout"].SI < l.from {
			continue
		}
		v := record.Verdict{Point: p.Number, Limit: l.limit, Clause: l.clause, Bound: l.bound, Unit: l.unit, Rule: "guard band w = U (k = 2)",
			Where: fmt.Sprintf("vin = %g V, iout = %s", p.Cells["vin"].SI, quantity.Of(p.Cells["iout"].SI, quantity.Current).Text(3)), Outcome: record.Undecided}
		cell, ok := p.Cells[l.name]
		v.Value, v.U, v.Band, v.Risk = cell.SI, cell.U, cell.U, math.NaN()
		if r.o.Mixed && l.name == "loss" {
			v.Rule = "four outcomes, w = U (k = 2)"
		}
		above := cell.SI - l.bound
		if !l.lower {
			above = -above
		}
		switch {
		case !ok || !p.Valid:
			v.Outcome, v.Why = record.NotJudged, "the point is "+p.Status()
			if !ok {
				v.Value, v.U, v.Band = math.NaN(), math.NaN(), math.NaN()
			}
		case above >= cell.U:
			v.Outcome, v.Risk = record.Pass, outside(above, cell.U/2)
		case above <= -cell.U:
			v.Outcome, v.Risk = record.Fail, 1-outside(above, cell.U/2)
		default:
			v.Risk = outside(above, cell.U/2)
			v.Advice = "would be decided by this: amm-in on its range of 1 A; U goes from 0.5 % to about 0.1 %"
			if l.name == "loss" {
				v.Detail = "conditional pass"
				if above < 0 {
					v.Detail, v.Risk = "conditional fail", 1-v.Risk
				}
			}
		}
		r.verdicts = append(r.verdicts, v)
		if err := r.Verdict(v); err != nil {
			return err
		}
	}
	return nil
}
