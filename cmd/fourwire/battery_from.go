package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	cell "fourwire/analysis/battery"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
)

// cellData is what one FROM of the battery command holds: a table against charge, or a test over time.
type cellData struct {
	name          string
	charge, volts []float64    // of a table
	line          []int        // of each point, for findings
	test          *cell.Record // of a test
	notes         []string
}

// loadCellData reads a CSV file or a record.
func loadCellData(from string, f batteryFlags) (*cellData, error) {
	info, err := os.Stat(from)
	if err != nil {
		return nil, wrong(fmt.Errorf("%s: %w", from, errors.Unwrap(err)))
	}
	if !info.IsDir() {
		data, err := readFile(from)
		if err != nil {
			return nil, wrong(err)
		}
		return cellCSV(from, data, f)
	}
	names, err := trace.Names(filepath.Join(from, "traces"))
	if err != nil {
		return nil, wrong(err)
	}
	if len(names) > 0 || f.trace != "" {
		return cellTrace(from, names, f)
	}
	return cellPoints(from, f)
}

// csvColumn is one column of a CSV file: its dimension and scale come from the unit at the end of its name, as in ocv_V,
// time_s, current_mA or soc_pct.
type csvColumn struct {
	name   string
	dim    quantity.Dimension
	scale  float64
	known  bool
	values []float64
}

func newCSVColumn(name string) csvColumn {
	c := csvColumn{name: name}
	stem, unit, _ := strings.Cut(name, "_")
	for rest := unit; rest != ""; { // the last part is the unit
		unit = rest
		_, rest, _ = strings.Cut(rest, "_")
	}
	switch strings.ToLower(stem) {
	case "soc", "charge":
		if unit == "" || unit == "1" {
			c.dim, c.scale, c.known = quantity.Ratio, 1, true
			return c
		}
	}
	if unit == "pct" || unit == "percent" {
		unit = "%"
	}
	if unit == "" {
		return c
	}
	if q, err := quantity.Parse("1 " + unit); err == nil {
		c.dim, c.scale, c.known = q.Dim, q.SI, true
	}
	return c
}

// cellCSV reads a CSV file with comment lines and a header: charge and voltage, or time, voltage and current.
func cellCSV(from string, data []byte, f batteryFlags) (*cellData, error) {
	var columns []csvColumn
	d := &cellData{name: filepath.Base(from)}
	lines := bufio.NewScanner(bytes.NewReader(data))
	lines.Buffer(make([]byte, 0, 64<<10), 1<<20)
	for number := 1; lines.Scan(); number++ {
		line := strings.TrimSpace(strings.TrimPrefix(lines.Text(), "\ufeff"))
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		fields := strings.Split(line, ",")
		if columns == nil {
			for _, name := range fields {
				columns = append(columns, newCSVColumn(strings.Trim(strings.TrimSpace(name), `"`)))
			}
			continue
		}
		if len(fields) != len(columns) {
			return nil, wrong(fmt.Errorf("%s:%d: %d fields under a header of %d", from, number, len(fields), len(columns)))
		}
		for i, text := range fields {
			x, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
			if err != nil || math.IsInf(x, 0) {
				x = math.NaN() // text, or no value; a column that is used must not have it
			}
			columns[i].values = append(columns[i].values, x)
		}
		d.line = append(d.line, number)
	}
	if err := lines.Err(); err != nil {
		return nil, wrong(fmt.Errorf("%s: %w", from, err))
	}
	if columns == nil {
		return nil, wrong(fmt.Errorf("%s is empty", from))
	}
	return d, d.choose(from, columns, f)
}

// choose finds which columns are meant.
func (d *cellData) choose(from string, columns []csvColumn, f batteryFlags) error {
	pick := func(asked string, dim quantity.Dimension, what string) (*csvColumn, error) {
		var found []*csvColumn
		var names []string
		for i := range columns {
			c := &columns[i]
			names = append(names, c.name)
			if asked != "" && c.name == asked {
				if !c.known {
					c.dim, c.scale = dim, 1
				}
				return c, nil
			}
			if c.known && c.dim == dim {
				found = append(found, c)
			}
		}
		switch {
		case asked != "":
			return nil, &failure{status: exitInput, err: fmt.Errorf("%s has no column %q", from, asked), hint: "its columns are " + strings.Join(names, ", ")}
		case len(found) > 1:
			return nil, &failure{status: exitInput, err: fmt.Errorf("%s has %d columns of %s", from, len(found), dim.Name()), hint: "choose one with --" + what + " NAME"}
		case len(found) == 1:
			return found[0], nil
		}
		return nil, nil
	}
	volts, err := pick(f.volts, quantity.Voltage, "volts")
	if err != nil {
		return err
	}
	charge, err := pick("", quantity.Ratio, "charge")
	if err != nil {
		return err
	}
	seconds, err := pick("", quantity.Time, "time")
	if err != nil {
		return err
	}
	amps, err := pick(f.amps, quantity.Current, "amps")
	if err != nil {
		return err
	}
	hint := `a header names the columns with their units: "soc,ocv_V" or "soc_pct,ocv_V" for a table, "time_s,voltage_V,current_A" for a test; --volts NAME chooses a column without one`
	if volts == nil {
		return &failure{status: exitInput, err: fmt.Errorf("%s has no column of voltage", from), hint: hint}
	}
	if charge == nil && (seconds == nil || amps == nil) {
		return &failure{status: exitInput, err: fmt.Errorf("%s has no column of charge, nor those of time and current", from), hint: hint}
	}
	scaled := func(c *csvColumn) ([]float64, error) {
		for i, x := range c.values {
			if math.IsNaN(x) {
				return nil, wrong(fmt.Errorf("%s:%d: column %s has no number here", from, d.line[i], c.name))
			}
			c.values[i] = x * c.scale
		}
		return c.values, nil
	}
	if charge != nil {
		if d.charge, err = scaled(charge); err == nil {
			d.volts, err = scaled(volts)
		}
		return err
	}
	r := &cell.Record{}
	if r.Seconds, err = scaled(seconds); err != nil {
		return err
	}
	if r.Amps, err = scaled(amps); err != nil {
		return err
	}
	if r.Volts, err = scaled(volts); err != nil {
		return err
	}
	d.test = r
	if err := r.Check(); err != nil {
		return wrong(fmt.Errorf("%s: %w", from, err))
	}
	d.drawnPositive()
	return nil
}

// drawnPositive turns a current round that is counted into the cell.
func (d *cellData) drawnPositive() {
	_, charge := d.test.Charge()
	if charge >= 0 {
		return
	}
	for i := range d.test.Amps {
		d.test.Amps[i] = -d.test.Amps[i]
	}
	d.notes = append(d.notes, "the current is counted negative where charge is drawn; it was turned round")
}

// cellTrace reads a trace of a record that has a voltage and a current, thinned to what a fit needs.
func cellTrace(dir string, names []string, f batteryFlags) (*cellData, error) {
	name := f.trace
	switch {
	case name == "" && len(names) > 1:
		return nil, &failure{status: exitInput, err: fmt.Errorf("%s has %d traces", dir, len(names)), hint: "choose one with --trace: " + strings.Join(names, ", ")}
	case name == "":
		name = names[0]
	}
	t, err := trace.Open(filepath.Join(dir, "traces"), name)
	if err != nil {
		return nil, wrong(err)
	}
	defer t.Close()
	find := func(asked, unit string) (int, error) {
		at := -1
		for i, s := range t.Head().Signals {
			if asked != "" && s.Name == asked {
				return i, nil
			}
			if asked == "" && s.Unit == unit && at < 0 {
				at = i
			}
		}
		if at < 0 {
			return 0, wrong(fmt.Errorf("trace %s has no signal %s in %s", name, asked, unit))
		}
		return at, nil
	}
	amps, err := find(f.amps, "A")
	if err != nil {
		return nil, err
	}
	volts, err := find(f.volts, "V")
	if err != nil {
		return nil, err
	}
	whole, err := t.Span(amps, 0, t.Len())
	if err != nil {
		return nil, wrong(err)
	}
	seconds := t.Head().IntervalSeconds
	thin := cell.NewThinner(seconds, max(math.Abs(whole.Max), math.Abs(whole.Min))/20, float64(t.Len())*seconds/1000)
	for block, err := range t.Blocks([]int{amps, volts}, 0, t.Len()) {
		if err != nil {
			return nil, wrong(err)
		}
		thin.Add(block.Start, block.Values[0], block.Values[1])
	}
	d := &cellData{name: filepath.Base(dir) + ":" + name, test: thin.Record()}
	if err := d.test.Check(); err != nil {
		return nil, wrong(fmt.Errorf("trace %s: %w", name, err))
	}
	if thin.Gaps > 0 {
		d.notes = append(d.notes, fmt.Sprintf("%.6g s are missing, in %d gap(s): the current is taken to have gone on as before each", thin.SkippedIn, thin.Gaps))
	}
	d.drawnPositive()
	return d, nil
}

// cellPoints reads the points of a record as a test.
func cellPoints(dir string, f batteryFlags) (*cellData, error) {
	rec, err := record.Open(dir)
	if err != nil {
		return nil, wrong(err)
	}
	pick := func(asked string, dim quantity.Dimension, flag string) (string, error) {
		var found []string
		for _, c := range rec.Columns {
			if asked != "" && c.Name == asked {
				return asked, nil
			}
			if c.Kind == record.Measured && c.Unit == dim.Unit() {
				found = append(found, c.Name)
			}
		}
		if asked == "" && len(found) == 1 {
			return found[0], nil
		}
		return "", &failure{status: exitInput, err: fmt.Errorf("%s: which column is the %s of the cell?", dir, dim.Name()), hint: "choose with --" + flag + ": " + strings.Join(found, ", ")}
	}
	volts, err := pick(f.volts, quantity.Voltage, "volts")
	if err != nil {
		return nil, err
	}
	amps, err := pick(f.amps, quantity.Current, "amps")
	if err != nil {
		return nil, err
	}
	d := &cellData{name: filepath.Base(dir), test: &cell.Record{}}
	skipped := 0
	for _, p := range rec.Rows {
		v, haveVolts := p.Cells[volts]
		a, haveAmps := p.Cells[amps]
		if !p.Valid || !haveVolts || !haveAmps || math.IsNaN(a.SI) || math.IsNaN(v.SI) {
			skipped++
			continue
		}
		d.test.Seconds, d.test.Amps, d.test.Volts = append(d.test.Seconds, p.At.Seconds()), append(d.test.Amps, a.SI), append(d.test.Volts, v.SI)
	}
	if skipped > 0 {
		d.notes = append(d.notes, fmt.Sprintf("%d points without a valid voltage and current were left out", skipped))
	}
	if err := d.test.Check(); err != nil {
		return nil, wrong(fmt.Errorf("%s: %w", dir, err))
	}
	d.drawnPositive()
	return d, nil
}
