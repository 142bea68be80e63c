package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/record"
	"fourwire/report"
	"fourwire/sequence"
	"fourwire/sheet"
	"fourwire/sheet/results"
)

// sheetFlags say how the rows of a sheet are run.
type sheetFlags struct {
	file  string
	as    string // "runs" or "sweep"
	tab   string
	again bool // rows whose record is whole are not run once more
}

const sheetHelp = `
With --sheet FILE each row of a workbook (.xlsx) or CSV file is a run: the heads of its columns are names of parameters, with the unit in
the head, "vin [V]", or in each cell, "12 V". Columns unit (which device), skip and note may stand beside them. With --sheet-as sweep the
rows together are the values of one sweep, in one run. Every bad cell is named by its address before anything is connected. Records go
into OUT/row-007 and so on, results into a copy of the sheet, OUT/NAME-results.xlsx, as runs end. What ends a run early (status 3, 4, 5,
130) ends the sheet; --sheet-continue goes on with it in the same OUT. The exit status is the gravest of all rows: 5, 130, 4, 3, 1, 2, 0.
`

func (s *sheetFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&s.file, "sheet", "", "workbook or CSV file whose rows are runs")
	cmd.Flags().StringVar(&s.as, "sheet-as", "runs", "what the rows of --sheet are: runs, or sweep (the values of one sweep)")
	cmd.Flags().StringVar(&s.tab, "sheet-tab", "", "tab of the workbook; the first one that is not hidden if left out")
	cmd.Flags().BoolVar(&s.again, "sheet-continue", false, "go on in the same --out: rows with a whole record are kept, cut off ones resumed")
}

// sheetRun is everything that one call of `run --sheet` works with.
type sheetRun struct {
	app    *app
	path   string
	flags  runFlags
	sheet  sheetFlags
	seeded bool
	seq    *sequence.Sequence
	input  inputFile
	bench  *testBench
	table  *sheet.Table
	rows   []results.Row
	data   []byte
	out    string
	file   string // of the results
	status int
	note   writeNote
}

// writeNote is when the results were written last, and how long that took.
type writeNote struct {
	at   time.Time
	took time.Duration
}

func (a *app) runSheet(ctx context.Context, path string, f runFlags, s sheetFlags, seeded bool) error {
	r := &sheetRun{app: a, path: path, flags: f, sheet: s, seeded: seeded}
	switch {
	case f.resume != "":
		return &failure{status: exitInput, err: errors.New("--sheet and --resume exclude each other"), hint: "go on with a sheet: the same command with --sheet-continue"}
	case s.as != "runs" && s.as != "sweep":
		return wrong(fmt.Errorf("--sheet-as is runs or sweep, not %q", s.as))
	case s.again && f.out == "":
		return wrong(errors.New("--sheet-continue needs the --out of the runs that it goes on with"))
	}
	if err := r.read(); err != nil {
		return err
	}
	predicted, err := r.bind()
	if err != nil {
		return err
	}
	if err := r.begin(); err != nil {
		return err
	}
	r.tellBefore(predicted)
	if s.as == "sweep" {
		err = r.sweep(ctx)
	} else {
		err = r.each(ctx)
	}
	if werr := r.write(true); werr != nil {
		err = errors.Join(err, fmt.Errorf("the results could not be written: %w", werr))
		r.worse(exitInput)
	}
	return r.tell(err)
}

// read reads sequence and sheet and finds everything that is wrong with any cell.
func (r *sheetRun) read() (err error) {
	if r.seq, r.input, err = loadSequence(r.path, r.flags.set); err != nil {
		return err
	}
	if r.data, err = readUpTo(r.sheet.file, sheet.MaxBytes+1); err != nil {
		return wrong(err)
	}
	var params []sheet.Param
	for _, p := range r.seq.Params {
		params = append(params, sheet.Param{Name: p.Name, Dim: p.Values.Dim})
	}
	table, found := sheet.Read(r.sheet.file, r.data, sheet.Options{Params: params, Tab: r.sheet.tab, Sweep: r.sheet.as == "sweep"})
	if table != nil {
		found = append(found, r.checkRows(table)...)
		table.InOrder(found)
	}
	if diag.Failed(found) {
		n := 0
		for _, f := range found {
			if !f.Warning {
				n++
			}
		}
		what := filepath.Base(r.sheet.file)
		if table != nil {
			what = fmt.Sprintf("%d cells of %s", n, what)
		}
		return &failure{status: exitInput, findings: found, err: fmt.Errorf("%s cannot be used; nothing was connected", what)}
	}
	r.table = table
	for _, row := range table.Rows {
		one := results.Row{Row: row, State: results.NotRun}
		if row.Skip {
			one.State = results.Skipped
		}
		r.rows = append(r.rows, one)
	}
	r.label()
	return nil
}

// label names the rows by what tells them apart: the device, and the parameters that differ.
func (r *sheetRun) label() {
	texts := map[string]map[string]bool{}
	for _, row := range r.rows {
		for _, v := range row.Values {
			if texts[v.Name] == nil {
				texts[v.Name] = map[string]bool{}
			}
			texts[v.Name][v.Setting] = true
		}
	}
	times := map[string]int{}
	for i := range r.rows {
		row := &r.rows[i]
		var parts []string
		if row.Device != "" {
			parts = append(parts, row.Device)
		}
		for _, v := range row.Values {
			if len(texts[v.Name]) > 1 {
				parts = append(parts, v.Name+" = "+v.Setting)
			}
		}
		if row.Label = strings.Join(parts, ", "); row.Label == "" {
			row.Label = fmt.Sprintf("row %d", row.Number)
		}
		times[row.Label]++
	}
	for i := range r.rows {
		if row := &r.rows[i]; times[row.Label] > 1 {
			row.Label += fmt.Sprintf(" (row %d)", row.Number)
		}
	}
}

// begin makes the folder of the records.
func (r *sheetRun) begin() error {
	r.out = r.flags.out
	if r.out == "" {
		r.out = filepath.Join("records", clock.Real().Now().Format("20060102-150405")+"-"+slug(r.seq.Title))
	}
	name := filepath.Base(r.sheet.file)
	ext := filepath.Ext(name)
	r.file = filepath.Join(r.out, strings.TrimSuffix(name, ext)+"-results"+ext)
	if _, err := os.Stat(r.file); err == nil && !r.sheet.again {
		return &failure{status: exitInput, err: fmt.Errorf("%s is there already", r.file), hint: "choose another --out, or go on with these runs: --sheet-continue"}
	}
	if err := os.MkdirAll(r.out, 0o755); err != nil {
		return wrong(err)
	}
	return r.write(true) // what cannot be written is known before anything is switched on
}

// worse takes over a status that is graver than those so far.
func (r *sheetRun) worse(status int) { r.status = gravest(r.status, status) }

// each runs the rows one after the other.
func (r *sheetRun) each(ctx context.Context) error {
	device, known := "", false
	for i := range r.rows {
		row := &r.rows[i]
		if row.Skip {
			continue
		}
		dir := filepath.Join(r.out, folderOf(row.Number))
		if err := r.mayGoOn(ctx, row.Number); err != nil {
			return r.halt(i, err)
		}
		done, err := r.done(row, dir)
		if err != nil {
			return r.halt(i, err)
		}
		if !done {
			if !r.bench.simulated && known && row.Device != device {
				question := fmt.Sprintf("Row %d: with everything off, connect unit %s in place of %s. Is it connected?", row.Number, orNone(row.Device), orNone(device))
				if err := r.app.askYes(question); err != nil {
					return r.halt(i, &failure{status: exitBench, err: fmt.Errorf("row %d: that unit %s is connected was not confirmed", row.Number, orNone(row.Device)), hint: "somebody has to be there where the unit changes: --yes does not answer that"})
				}
			}
			err = r.one(ctx, row, dir, r.settings(row.Row))
		}
		device, known = row.Device, true
		r.tellRow(row, dir)
		if err != nil {
			return r.halt(i+1, err)
		}
		if err := r.write(false); err != nil {
			return r.halt(i+1, wrong(fmt.Errorf("the results could not be written: %w", err)))
		}
	}
	return nil
}

func folderOf(row int) string { return fmt.Sprintf("row-%03d", row) }

func orNone(text string) string {
	if text == "" {
		return "(no name)"
	}
	return text
}

// mayGoOn looks whether anything speaks against the next row.
func (r *sheetRun) mayGoOn(ctx context.Context, row int) error {
	if ctx.Err() != nil {
		return &failure{status: exitInterrupted, err: fmt.Errorf("%w before row %d", errInterrupted, row)}
	}
	if data, err := readFile(r.path); err != nil || !bytes.Equal(data, r.input.Data) {
		return wrong(fmt.Errorf("%s was changed while the sheet ran; the rows were checked against the earlier one", r.path))
	}
	return nil
}

// settings of a row: those of the command line, then its own.
func (r *sheetRun) settings(row sheet.Row) []string {
	return slices.Concat(r.flags.set, row.Settings())
}

// one runs a row, or goes on with it where a record of it is there.
func (r *sheetRun) one(ctx context.Context, row *results.Row, dir string, set []string) error {
	f, seeded := r.flags, r.seeded
	f.set, f.out, f.resume = set, dir, ""
	if row.Device != "" {
		f.devices = []string{row.Device}
	}
	if r.bench.simulated {
		f.seed, seeded = r.seedOf(row.Number), true
	}
	f.remarks = r.remarks(row)
	if r.sheet.again {
		resume, err := leftOver(dir)
		if err != nil {
			return err
		}
		if resume {
			f.out, f.resume, f.remarks, f.devices = "", dir, nil, nil
		}
	}
	quiet := *r.app
	quiet.out, quiet.json = io.Discard, false
	err := quiet.run(ctx, r.path, f, seeded)
	status := statusOf(err)
	r.worse(status)
	if rec, oerr := record.Open(dir); oerr == nil {
		row.Take(rec)
		row.Folder = filepath.ToSlash(filepath.Base(dir))
	} else if err != nil {
		row.State, row.Why = results.NotRun, err.Error()
	}
	if status == exitPass || status == exitFail || status == exitUndecided {
		return nil
	}
	return err
}

// leftOver tells whether a record was left that the run goes on in. One that was cut off before its first point is put aside.
func leftOver(dir string) (resume bool, err error) {
	if _, err := os.Stat(dir); err != nil {
		return false, nil
	}
	if record.InUse(dir) {
		return false, notRight(fmt.Errorf("%s: %w", dir, record.ErrBusy), "wait until it is done, or end it with Ctrl-C")
	}
	if rec, err := record.Open(dir); err == nil && len(rec.Rows) > 0 {
		return true, nil
	}
	for n := 1; ; n++ {
		aside := fmt.Sprintf("%s-cut-%d", dir, n)
		if _, err := os.Stat(aside); err == nil {
			continue
		}
		if err := os.Rename(dir, aside); err != nil {
			return false, wrong(fmt.Errorf("what was left of an earlier run could not be put aside: %w", err))
		}
		return false, nil
	}
}

// remarks are what the record keeps of the row that it came from.
func (r *sheetRun) remarks(row *results.Row) []record.Event {
	text := fmt.Sprintf("row %d of %s", row.Number, r.table.File)
	if row.Device != "" {
		text += "; unit " + row.Device
	}
	if row.Note != "" {
		text += "; " + row.Note
	}
	return []record.Event{{Level: "info", Kind: "note", Text: text, Fields: map[string]any{"row": row.Number, "sheet": r.table.File, "unit": row.Device, "note": row.Note}}}
}

// seedOf is the seed of a row of a simulated bench: worked out from that of the sheet and the row's number, so that rows differ
// and each gets the same every time. 32 bits, which every program that reads JSON keeps. The mixing is splitmix64's.
func (r *sheetRun) seedOf(row int) uint64 {
	seed := r.flags.seed
	if !r.seeded {
		seed = r.bench.scenario.Seed
	}
	z := seed + uint64(row)*0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return (z ^ z>>31) & 0xffffffff
}

// done takes a row's record over where it is whole and was made with the same sequence and parameters.
func (r *sheetRun) done(row *results.Row, dir string) (bool, error) {
	if !r.sheet.again {
		return false, nil
	}
	rec, err := record.Open(dir)
	if err != nil || !rec.Finished || rec.Reason != "" {
		return false, nil // there is none, or it is not whole: the row is run, or goes on
	}
	text, err := os.ReadFile(filepath.Join(dir, record.InputsFolder, r.input.Name))
	if err != nil || !bytes.Equal(text, r.input.Data) || !slices.Equal(rec.Settings, r.settings(row.Row)) {
		return false, &failure{status: exitInput, err: fmt.Errorf("%s was run with another sequence or other parameters than row %d has now", dir, row.Number), hint: "choose another --out, or move that record away"}
	}
	if _, err := os.Stat(filepath.Join(dir, report.PageFile)); err != nil { // it was killed behind its end
		if err := report.Build(dir, forms()...); err != nil {
			return false, wrong(fmt.Errorf("the reports of %s could not be made: %w", dir, err))
		}
	}
	row.Take(rec)
	row.Folder = filepath.ToSlash(filepath.Base(dir))
	r.worse(rec.Exit)
	return true, nil
}

// halt ends the sheet before row i: those that are left say why they were not run.
func (r *sheetRun) halt(i int, err error) error {
	r.worse(statusOf(err))
	why := strings.SplitN(err.Error(), "\n", 2)[0]
	for k := i; k < len(r.rows); k++ {
		if !r.rows[k].Skip {
			r.rows[k].State, r.rows[k].Why = results.NotRun, "the sheet ended before: "+why
		}
	}
	return err
}

// sweep runs the rows as the values of one sweep.
func (r *sheetRun) sweep(ctx context.Context) error {
	vary, set := r.sweepSettings()
	dir := filepath.Join(r.out, "record")
	row := results.Row{Row: sheet.Row{Number: r.table.Header}}
	done, err := r.done(&row, dir)
	if err == nil && !done {
		err = r.one(ctx, &row, dir, set)
	}
	rec, oerr := record.Open(dir)
	for i := range r.rows {
		one := &r.rows[i]
		if one.Skip {
			continue
		}
		if oerr == nil {
			si := 0.0
			for _, v := range one.Values {
				if v.Name == vary {
					si = v.Amount.SI
				}
			}
			one.TakePart(rec, vary, si)
			one.Folder = "record"
		} else if err != nil {
			one.Why = err.Error()
		}
		r.tellRow(one, dir)
	}
	return err
}

// sweepSettings makes one list of the values that differ from row to row.
func (r *sheetRun) sweepSettings() (vary string, set []string) {
	set = slices.Clone(r.flags.set)
	var rows []results.Row
	for _, row := range r.rows {
		if !row.Skip {
			rows = append(rows, row)
		}
	}
	if len(rows) == 0 {
		return "", set
	}
	for k, v := range rows[0].Values {
		list := []string{v.Setting}
		differs := false
		for _, row := range rows[1:] {
			list = append(list, row.Values[k].Setting)
			differs = differs || row.Values[k].Amount != v.Amount
		}
		if !differs {
			set = append(set, v.Name+"="+v.Setting)
			continue
		}
		vary = v.Name
		set = append(set, v.Name+"=["+strings.Join(list, ", ")+"]")
	}
	if vary == "" { // every row has the same
		vary = rows[0].Values[0].Name
	}
	return vary, set
}

// write writes the copy of the sheet with what there is. Unless it must be now, it waits where that would take more than a tenth of the time.
func (r *sheetRun) write(now bool) error {
	c := clock.Real()
	if !now && c.Now().Sub(r.note.at) < 9*r.note.took {
		return nil
	}
	began := c.Now()
	book := &results.Book{Table: r.table, Data: r.data, Title: r.seq.Title, Rows: r.rows}
	made := book.CSV
	if sheet.IsWorkbook(r.sheet.file) {
		made = book.Workbook
	}
	data, err := made()
	if err == nil {
		err = record.WriteWhole(r.file, data)
	}
	r.note = writeNote{c.Now(), c.Now().Sub(began)}
	return err
}

// tellBefore says what is going to be run, and how long that takes.
func (r *sheetRun) tellBefore(predicted time.Duration) {
	skipped := 0
	for _, row := range r.rows {
		if row.Skip {
			skipped++
		}
	}
	what := fmt.Sprintf("%d runs", len(r.rows)-skipped)
	if r.sheet.as == "sweep" {
		what = fmt.Sprintf("one run of %d values", len(r.rows)-skipped)
	}
	if skipped > 0 {
		what += fmt.Sprintf(", %d rows skipped", skipped)
	}
	fmt.Fprintf(r.app.err, "%s: %s; about %s on the bench, results in %s\n", r.table.File, what, report.Lasted(predicted), r.file)
}
