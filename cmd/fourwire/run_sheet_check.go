package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"fourwire/internal/diag"
	"fourwire/sequence"
	"fourwire/sheet"
	"fourwire/sheet/results"
)

// checkRows reads the sequence with the parameters of each row, so that every guard is looked at before the first run. What is found is
// said at the cell that it comes from, or at the row where several cells together make it.
func (r *sheetRun) checkRows(t *sheet.Table) []diag.Finding {
	var out []diag.Finding
	given := map[string]bool{}
	for _, s := range settingsOf(r.flags.set) {
		given[s.Name] = true
	}
	for _, n := range t.Given {
		if given[n.Name] {
			out = append(out, diag.Finding{Place: t.Place(t.Address(n.Column, t.Header)), Text: fmt.Sprintf("%s is given by --set, too", n.Name), Hint: "leave one of them out"})
		}
	}
	if len(out) > 0 {
		return out
	}
	known := map[string][]diag.Finding{} // by settings
	for _, row := range t.Rows {
		if row.Skip {
			continue
		}
		for _, f := range r.faultsOf(row.Settings(), known) {
			out = append(out, r.atCell(t, row, f, known))
		}
	}
	return out
}

// faultsOf are what is wrong with the sequence with some parameters set.
func (r *sheetRun) faultsOf(set []string, known map[string][]diag.Finding) []diag.Finding {
	key := strings.Join(set, "\n")
	if list, ok := known[key]; ok {
		return list
	}
	var found diag.Findings
	sequence.Read(r.seq.File, r.input.Data, append(settingsOf(r.flags.set), settingsOf(set)...), &found)
	var out []diag.Finding
	for _, f := range found.List() {
		if !f.Warning {
			out = append(out, f)
		}
	}
	known[key] = out
	return out
}

// atCell says a finding of the sequence at the cell that it comes from.
func (r *sheetRun) atCell(t *sheet.Table, row sheet.Row, f diag.Finding, known map[string][]diag.Finding) diag.Finding {
	out := diag.Finding{Text: f.Text, Hint: "write a value that the sequence can take; see " + f.Place.String()}
	if f.Hint != "" {
		out.Hint = f.Hint + "; see " + f.Place.String()
	}
	for _, v := range row.Values {
		if rest, ok := strings.CutPrefix(f.Text, "--set "+v.Name+"="); ok {
			if _, words, ok := strings.Cut(rest, `": `); ok {
				out.Text = fmt.Sprintf("%q: %s", v.Setting, words)
			}
			out.Place = t.Place(t.Address(v.Column, row.Number))
			return out
		}
	}
	for _, v := range row.Values { // a cell that makes the finding alone
		for _, alone := range r.faultsOf([]string{v.Name + "=" + v.Setting}, known) {
			if alone.Place == f.Place && alone.Text == f.Text {
				out.Place = t.Place(t.Address(v.Column, row.Number))
				return out
			}
		}
	}
	out.Place = t.Place(t.Span(row.Number))
	return out
}

// bind binds every row to the bench, and adds up how long the runs take.
func (r *sheetRun) bind() (time.Duration, error) {
	tb, warnings, err := benchFor(r.seq, r.path, r.flags.bench)
	if err != nil {
		return 0, err
	}
	if tb, err = oneSite(tb, r.flags.sites); err != nil {
		return 0, err
	}
	r.bench = tb
	if r.seeded && !tb.simulated {
		return 0, &failure{status: exitInput, err: errors.New("--seed is for a simulated bench; this one has real addresses")}
	}
	for _, w := range warnings {
		fmt.Fprintln(r.app.err, w.Render())
	}
	if r.sheet.as == "sweep" {
		_, set := r.sweepSettings()
		return r.bindOne(set)
	}
	var total time.Duration
	var found []diag.Finding
	times := map[string]time.Duration{}
	for _, row := range r.rows {
		if row.Skip {
			continue
		}
		set := r.settings(row.Row)
		key := strings.Join(set, "\n")
		if _, known := times[key]; !known {
			took, err := r.bindOne(set)
			var f *failure
			switch {
			case errors.As(err, &f) && f.status == exitBench:
				for _, one := range f.findings {
					if !one.Warning {
						found = append(found, diag.Finding{Place: r.table.Place(r.table.Span(row.Number)), Text: one.Text, Hint: one.Hint})
					}
				}
			case err != nil:
				return 0, err
			}
			times[key] = took
		}
		total += times[key]
	}
	if len(found) > 0 {
		return 0, &failure{status: exitBench, findings: found, err: errors.New("the bench does not serve every row; nothing was connected"),
			hint: fmt.Sprintf("see \"fourwire fit %s\" for the margins of each instrument", r.path)}
	}
	return total, nil
}

// bindOne binds the sequence with some parameters set.
func (r *sheetRun) bindOne(set []string) (time.Duration, error) {
	seq, input, err := loadSequence(r.path, set)
	if err != nil {
		return 0, err
	}
	_, options, err := optionsFor(seq, r.path, input.Data, r.flags.accept)
	if err != nil {
		return 0, err
	}
	var warnings []diag.Finding
	p, err := bind(seq, input.Data, r.bench, options, &warnings)
	if err != nil {
		return 0, err
	}
	return p.Predicted, nil
}

// statusOf is the exit status that an error of a run stands for.
func statusOf(err error) int {
	var f *failure
	switch {
	case err == nil:
		return exitPass
	case errors.As(err, &f):
		return f.status
	}
	return exitInput
}

// tellRow says in a line what came of a row.
func (r *sheetRun) tellRow(row *results.Row, dir string) {
	if r.app.json {
		return
	}
	words := row.State
	if row.Why != "" {
		words += " (" + row.Why + ")"
	}
	fmt.Fprintf(r.app.out, "row %-4d %-24s %-10s %s\n", row.Number, printable(row.Label), printable(words), dir)
}

// sheetRow and sheetDocument are what --json prints.
type sheetRow struct {
	Row      int      `json:"row"`
	Address  string   `json:"address"`
	Unit     string   `json:"unit,omitempty"`
	Settings []string `json:"settings"`
	State    string   `json:"state"`
	Why      string   `json:"why,omitempty"`
	Points   int      `json:"points"`
	Record   string   `json:"record,omitempty"`
}

type sheetDocument struct {
	Sheet   string     `json:"sheet"`
	Results string     `json:"results"`
	Exit    int        `json:"exit"`
	Rows    []sheetRow `json:"rows"`
}

// tell says how the sheet ended.
func (r *sheetRun) tell(err error) error {
	if r.app.json {
		doc := sheetDocument{Sheet: r.sheet.file, Results: r.file, Exit: r.status, Rows: []sheetRow{}}
		for _, row := range r.rows {
			one := sheetRow{Row: row.Number, Address: r.table.Span(row.Number), Unit: row.Device, Settings: row.Settings(), State: row.State, Why: row.Why, Points: len(row.Points)}
			if row.Folder != "" {
				one.Record = filepath.Join(r.out, filepath.FromSlash(row.Folder))
			}
			doc.Rows = append(doc.Rows, one)
		}
		err = errors.Join(err, r.app.document(doc))
	} else {
		fmt.Fprintf(r.app.out, "results: %s\n", r.file)
	}
	if err == nil && r.status == exitPass {
		return nil
	}
	out := &failure{status: r.status, err: err}
	var f *failure
	if errors.As(err, &f) {
		out.findings, out.hint = f.findings, f.hint
	}
	if left := r.left(); err != nil && left > 0 {
		if out.hint != "" {
			out.hint += "\n"
		}
		out.hint += fmt.Sprintf("%d rows were not run; once that is put right, the same command with --out %s --sheet-continue goes on", left, r.out)
	}
	return out
}

// left is how many rows are still to be run.
func (r *sheetRun) left() int {
	n := 0
	for _, row := range r.rows {
		if row.State == results.NotRun || row.State == results.Stopped {
			n++
		}
	}
	return n
}
