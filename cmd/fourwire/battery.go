package main

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	cell "fourwire/analysis/battery"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/report/terminal"
	"fourwire/sequence/battery"
)

// batteryFlags are the flags of the battery command, quantities as written.
type batteryFlags struct {
	out, title, source       string
	capacity, tolerance      string
	cutoff, recover          string
	ohm, from, within        string
	selfDischarge, shelfLife string
	volts, amps, trace       string
	pairs                    int
	pool, replace            bool
}

// batteryCautions are shown where a test of a real cell is worked on.
var batteryCautions = []string{
	"The limits of voltage, current and temperature for charging and discharging are those of the cell's maker; a fit does not know them.",
	"Lithium cells can burn: a fire-resistant place, a fuse at the cell, somebody present, a stop at temperature, time and charge. Never charge below 0 degC.",
	"Never charge a primary cell. Do not charge a cell that was discharged too deeply unless its maker says how.",
	"Before a battery is emulated, take every real cell off the node. What local codes and your site ask for comes first.",
}

func (a *app) batteryCommand() *cobra.Command {
	var f batteryFlags
	cmd := &cobra.Command{
		Use:   "battery FROM... --out FILE",
		Short: "Make a battery file from a table or from tests of a cell",
		Long: `Makes a battery file, which the steps emulate and life read, and says how well its figures are known.

FROM is a CSV file with a header that names the units (lines with # are comments), or a record:
  soc,ocv_V  or  soc_pct,ocv_V     a table of open-circuit voltage against charge
  time_s,voltage_V,current_A       a test: a discharge, or pulses with rests between them
  a record                         a test, in a trace or in its points
One discharge gives the open-circuit voltage less current times resistance (--ohm). Two at rates a factor of two or more apart
give both. Pulses at several charges give voltage, resistance and pairs against charge. A table together with pulses takes the
voltage from the table and the resistances from the pulses.

Exit status: 0 done, 3 the input is wrong.`,
		Example: `  fourwire battery ocv.csv --capacity "5 Ah" --ohm "30 mohm" --cutoff "2.8 V" --out cell.battery.yaml
  fourwire battery records/cell-7-pulses --capacity "2.4 Ah" --out cell-7.battery.yaml`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return a.battery(args, f) },
	}
	flags := cmd.Flags()
	flags.StringVar(&f.out, "out", "", "the battery file to write; without it the figures are only printed")
	flags.BoolVar(&f.replace, "replace", false, "write over a file that is there")
	flags.StringVar(&f.title, "title", "", "what reports call the battery")
	flags.StringVar(&f.source, "source", "", "where the figures come from, with the licence of a table that is not your own")
	flags.StringVar(&f.capacity, "capacity", "", "charge from full to empty, as in \"5 Ah\"; a test without it takes what was drawn")
	flags.StringVar(&f.tolerance, "tolerance", "", "how far the capacity may be off, as in \"10 %\"")
	flags.StringVar(&f.cutoff, "cutoff", "", "loaded voltage at which the battery is switched off")
	flags.StringVar(&f.recover, "recover", "", "voltage without load from which it is on again")
	flags.StringVar(&f.ohm, "ohm", "", "series resistance, where no test gives it")
	flags.StringVar(&f.from, "from", "", "charge at the beginning of the tests; 100 % where left out")
	flags.StringVar(&f.within, "within", "", "leave points of the table out that lie so near a straight line, as in \"1 mV\"")
	flags.StringVar(&f.selfDischarge, "self-discharge", "", "loss of charge a year, as in \"1..2 %\"")
	flags.StringVar(&f.shelfLife, "shelf-life", "", "life without load, as in \"10 a\"")
	flags.StringVar(&f.volts, "volts", "", "column or signal of the voltage, where there are several")
	flags.StringVar(&f.amps, "amps", "", "column or signal of the current, where there are several")
	flags.StringVar(&f.trace, "trace", "", "trace of the record, where there are several")
	flags.IntVar(&f.pairs, "pairs", 0, "resistor-capacitor pairs to fit, 1 to 3; 0 lets the record choose 1 or 2")
	flags.BoolVar(&f.pool, "pool", false, "make plateaus of the points of a table that do not rise")
	return cmd
}

// madeCell is what the command prints as its one JSON document.
type madeCell struct {
	File      string             `json:"file,omitempty"`
	Capacity  float64            `json:"capacity_coulomb"`
	MeanVolts float64            `json:"mean_volts"`
	Joule     float64            `json:"energy_joule"`
	Points    int                `json:"table_points"`
	Discharge *cell.DischargeFit `json:"discharge,omitempty"`
	Pulses    *cell.SeriesFit    `json:"pulses,omitempty"`
	Notes     []string           `json:"notes,omitempty"`
	cell      *cell.Cell         // what was made
	fits      []string           // tables for people
	remarks   []string           // for the head of the file
	given     map[string]quantity.Quantity
	span      quantity.Span
}

func (a *app) battery(from []string, f batteryFlags) error {
	m := &madeCell{given: map[string]quantity.Quantity{}}
	if err := m.read(f); err != nil {
		return err
	}
	if f.out != "" && !f.replace {
		if _, err := os.Lstat(f.out); err == nil {
			return &failure{status: exitInput, err: fmt.Errorf("%s is there already", f.out), hint: "give another name, or --replace"}
		}
	}
	var data []*cellData
	tests := false
	for _, name := range from {
		d, err := loadCellData(name, f)
		if err != nil {
			return err
		}
		data = append(data, d)
		tests = tests || d.test != nil
		for _, n := range d.notes {
			m.Notes = append(m.Notes, d.name+": "+n)
		}
	}
	if tests {
		a.printBatteryCautions()
	}
	if err := m.make(data, from, f); err != nil {
		if len(m.fits) > 0 && !a.json { // what was fitted is worth seeing even where it makes no file
			fmt.Fprintln(a.out, printable(strings.Join(m.fits, "\n")))
		}
		return err
	}
	file, err := m.file(from, f)
	if err != nil {
		return err
	}
	text := battery.Write(file, m.remarks...)
	var found diag.Findings
	if battery.Read(filepath.Base(f.out), text, &found) == nil {
		return &failure{status: exitInput, findings: found.List(), err: errors.New("these figures make no battery file")}
	}
	if f.out != "" {
		if err := record.WriteWhole(f.out, text); err != nil {
			return wrong(err)
		}
		m.File = f.out
	}
	m.Capacity, m.MeanVolts, m.Points = m.cell.CapacityCoulomb, m.cell.OCV.Mean(), m.cell.OCV.Len()
	m.Joule = m.Capacity * m.MeanVolts
	if a.json {
		return a.document(m)
	}
	a.tellBattery(m, found.List())
	return nil
}

func (a *app) printBatteryCautions() {
	stream := terminal.Detect(a.err, os.Getenv)
	fmt.Fprintln(a.err, "Take care with cells:")
	for _, c := range batteryCautions {
		fmt.Fprintln(a.err, stream.Fold(c, "  "))
	}
}

// read reads the quantities of the flags.
func (m *madeCell) read(f batteryFlags) error {
	for _, q := range []struct {
		flag, text string
		dim        quantity.Dimension
	}{
		{"capacity", f.capacity, quantity.Charge}, {"tolerance", f.tolerance, quantity.Ratio}, {"cutoff", f.cutoff, quantity.Voltage},
		{"recover", f.recover, quantity.Voltage}, {"ohm", f.ohm, quantity.Resistance}, {"from", f.from, quantity.Ratio},
		{"within", f.within, quantity.Voltage}, {"shelf-life", f.shelfLife, quantity.Time},
	} {
		if q.text == "" {
			continue
		}
		v, err := quantity.ParseAs(q.text, q.dim)
		if err != nil {
			return wrong(fmt.Errorf("--%s %w", q.flag, err))
		}
		if v.SI < 0 {
			return wrong(fmt.Errorf("--%s %s: it is not negative", q.flag, q.text))
		}
		m.given[q.flag] = v
	}
	if f.selfDischarge != "" {
		s, err := quantity.ParseSpanAs(f.selfDischarge, quantity.Ratio)
		if err != nil {
			return wrong(fmt.Errorf("--self-discharge %w", err))
		}
		m.span = s
	}
	if f.pairs < 0 || f.pairs > cell.MostPairs {
		return wrong(fmt.Errorf("--pairs %d: 1 to %d can be fitted, 0 lets the record choose", f.pairs, cell.MostPairs))
	}
	return nil
}

// make fits what there is and puts the cell together.
func (m *madeCell) make(data []*cellData, from []string, f batteryFlags) error {
	var table *cellData
	var discharges []*cell.Record
	var names []string
	var series *cellData
	for i, d := range data {
		switch {
		case d.test == nil && table != nil:
			return wrong(fmt.Errorf("%s and %s are both tables; one is wanted", table.name, d.name))
		case d.test == nil:
			table = d
		case isDischarge(d.test):
			discharges, names = append(discharges, d.test), append(names, d.name)
		case series != nil:
			return wrong(fmt.Errorf("%s and %s both hold pulses; one is wanted", series.name, from[i]))
		default:
			series = d
		}
	}
	if table != nil {
		if err := m.table(table, f); err != nil {
			return err
		}
	}
	if len(discharges) > 0 && table == nil {
		if err := m.discharges(discharges, names); err != nil {
			return err
		}
	} else if len(discharges) > 0 {
		m.Notes = append(m.Notes, "the discharges were not used: the voltage comes from the table")
	}
	if series != nil {
		if err := m.pulses(series, f); err != nil {
			return err
		}
	}
	if within, ok := m.given["within"]; ok {
		before := m.cell.OCV.Len()
		m.cell.OCV = m.cell.OCV.Simplified(within.SI)
		m.remarks = append(m.remarks, fmt.Sprintf("%d of %d points of the open-circuit voltage: between them it is within %s of all", m.cell.OCV.Len(), before, within))
	}
	return nil
}

// isDischarge tells a discharge, where current flows for nearly all the time, from pulses with rests.
func isDischarge(r *cell.Record) bool {
	most, flows := 0.0, 0
	for _, a := range r.Amps {
		most = max(most, math.Abs(a))
	}
	for _, a := range r.Amps {
		if math.Abs(a) > most/20 {
			flows++
		}
	}
	return cell.Pulses(r) == 1 && flows*10 >= len(r.Amps)*9
}

func (m *madeCell) table(d *cellData, f batteryFlags) error {
	charge, volts := d.charge, d.volts
	if n := len(charge); n > 1 && charge[0] > charge[n-1] {
		for i, j := 0, n-1; i < j; i, j = i+1, j-1 {
			charge[i], charge[j], volts[i], volts[j], d.line[i], d.line[j] = charge[j], charge[i], volts[j], volts[i], d.line[j], d.line[i]
		}
	}
	if f.pool {
		var pooled int
		if charge, volts, pooled = cell.Pool(charge, volts); pooled > 0 {
			text := fmt.Sprintf("%d points of the table did not rise; they were made plateaus at their means", pooled)
			m.Notes, m.remarks = append(m.Notes, text), append(m.remarks, text)
		}
	}
	ocv, err := cell.Rising(charge, volts, cell.Linear)
	var fault *cell.TableError
	if errors.As(err, &fault) {
		place := d.name
		if !f.pool && fault.Index < len(d.line) {
			place = fmt.Sprintf("%s:%d", d.name, d.line[fault.Index])
		}
		hint := fault.Hint
		if strings.Contains(fault.Text, "does not rise") {
			hint = "--pool makes a plateau of the two; or leave one out of the file"
		}
		return &failure{status: exitInput, err: fmt.Errorf("%s: %s", place, fault.Text), hint: hint}
	}
	capacity, ok := m.given["capacity"]
	if !ok {
		return &failure{status: exitInput, err: errors.New("a table does not tell the capacity"), hint: `state it, as in --capacity "5 Ah"`}
	}
	m.cell = &cell.Cell{CapacityCoulomb: capacity.SI, OCV: ocv, Ohm: cell.Constant(m.given["ohm"].SI)}
	m.remarks = append(m.remarks, "open-circuit voltage: table "+d.name)
	m.fits = append(m.fits, fmt.Sprintf("%s: table of %d points, %s to %s", d.name, ocv.Len(), quantity.Of(ocv.At(0), quantity.Voltage).Text(5), quantity.Of(ocv.At(1), quantity.Voltage).Text(5)))
	return nil
}

func (m *madeCell) discharges(records []*cell.Record, names []string) error {
	c, fit, err := cell.FitDischarge(records, cell.DischargeOptions{CapacityCoulomb: m.given["capacity"].SI, From: m.given["from"].SI, Ohm: m.given["ohm"].SI, CutoffVolts: m.given["cutoff"].SI})
	if err != nil {
		return wrong(fmt.Errorf("%s: %w", strings.Join(names, ", "), err))
	}
	m.cell, m.Discharge = c, &fit
	if len(fit.Ohm) == 0 && m.given["ohm"].SI == 0 {
		fit.Notes = append(fit.Notes, "the voltage is that under load: lower than without by current times resistance; state --ohm, or add a discharge at another rate")
	}
	m.remark(fit.Notes, "open-circuit voltage: fit of discharge "+strings.Join(names, ", ")+fmt.Sprintf("; residual %s", volts(fit.ResidualVolts)))
	m.fits = append(m.fits, tellDischarge(names, &fit))
	m.remarks = append(m.remarks, m.fits[len(m.fits)-1])
	return nil
}

func (m *madeCell) pulses(d *cellData, f batteryFlags) error {
	capacity := m.given["capacity"].SI
	if capacity == 0 && m.cell != nil {
		capacity = m.cell.CapacityCoulomb
	}
	c, fit, err := cell.FitSeries(d.test, capacity, m.given["from"].SI, cell.PulseOptions{Pairs: f.pairs})
	flat := errors.Is(err, cell.ErrFlat)
	if err != nil && !flat {
		hint := ""
		if errors.Is(err, cell.ErrNoPulse) {
			hint = "a discharge without rests is fitted as such; a pulse test needs a rest before each pulse"
		}
		return &failure{status: exitInput, err: fmt.Errorf("%s: %w", d.name, err), hint: hint}
	}
	m.Pulses = &fit
	m.remark(fit.Notes, fmt.Sprintf("resistances: fit of %d pulses in %s", len(fit.Pulses), d.name))
	m.fits = append(m.fits, tellPulses(d.name, &fit))
	m.remarks = append(m.remarks, m.fits[len(m.fits)-1])
	if m.cell == nil && flat {
		return &failure{status: exitInput, err: fmt.Errorf("%s: %w", d.name, err), hint: "give a table of the open-circuit voltage as well: fourwire battery ocv.csv " + d.name}
	}
	if m.cell == nil {
		m.cell = c
		return nil
	}
	m.cell.Ohm, m.cell.Pairs = c.Ohm, c.Pairs
	return nil
}

func (m *madeCell) remark(notes []string, text string) {
	m.Notes = append(m.Notes, notes...)
	m.remarks = append(m.remarks, text)
	m.remarks = append(m.remarks, notes...)
}

// file puts the flags to the cell.
func (m *madeCell) file(from []string, f batteryFlags) (*battery.File, error) {
	c := m.cell
	if q, ok := m.given["capacity"]; ok {
		c.CapacityCoulomb = q.SI
	}
	c.Tolerance, c.CutoffVolts, c.RecoverVolts = m.given["tolerance"].SI, m.given["cutoff"].SI, m.given["recover"].SI
	if m.span.Set {
		c.SelfDischarge = [2]float64{m.span.Low, m.span.High}
	}
	if charge, ohm := c.Ohm.Points(); len(charge) == 1 && ohm[0] == 0 {
		m.Notes = append(m.Notes, "no resistance is known: 0 ohm; state --ohm, or add a pulse test")
	}
	file := &battery.File{Title: f.title, Source: f.source, Cell: *c, ShelfSeconds: m.given["shelf-life"].SI}
	if file.Title == "" {
		base := filepath.Base(from[0])
		file.Title = strings.TrimSuffix(base, filepath.Ext(base))
	}
	if file.Source == "" {
		var names []string
		for _, n := range from {
			names = append(names, filepath.Base(n))
		}
		file.Source = "fit or table of " + strings.Join(names, ", ")
	}
	return file, nil
}

func (a *app) tellBattery(m *madeCell, found []diag.Finding) {
	var b bytes.Buffer
	for _, text := range m.fits {
		b.WriteString(text + "\n")
	}
	fmt.Fprintf(&b, "%.5g Ah, %.5g V on the mean, %.5g Wh without current\n", m.Capacity/3600, m.MeanVolts, m.Joule/3600)
	for _, n := range m.Notes {
		fmt.Fprintf(&b, "note: %s\n", n)
	}
	fmt.Fprint(a.out, printable(b.String()))
	for _, w := range found {
		fmt.Fprintln(a.err, w.Render())
	}
	if m.File != "" {
		fmt.Fprintf(a.out, "written: %s\n", m.File)
	}
}
