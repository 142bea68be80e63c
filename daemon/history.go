package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"fourwire/daemon/api"
	"fourwire/daemon/index"
	"fourwire/daemon/queue"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
)

// recordID tells whether a text can be the name of a record's folder.
func recordID(id string) bool {
	return id != "" && len(id) <= 200 && filepath.IsLocal(id) && !strings.ContainsAny(id, "/\\:\x00") && !strings.HasPrefix(id, ".")
}

// reindex has the index say what is in the folder of records.
func (d *Daemon) reindex(ctx context.Context) {
	begun := d.clock.Now()
	n, err := d.rebuild(ctx)
	if err != nil && ctx.Err() == nil {
		d.log.Error().Err(err).Msg("the index of records")
		return
	}
	d.log.Info().Int("records", n).Dur("took", d.clock.Since(begun)).Msg("the index of records is up to date")
}

const indexBatch = 200

// rebuild enters what is new in the folder, and takes out what is gone.
func (d *Daemon) rebuild(ctx context.Context) (int, error) {
	known, err := d.index.Stamps(ctx)
	if err != nil {
		return 0, err
	}
	entries, err := os.ReadDir(d.config.Records)
	if err != nil {
		return 0, err
	}
	var rows []index.Row
	there := map[string]bool{}
	for _, e := range entries {
		if ctx.Err() != nil {
			return len(there), ctx.Err()
		}
		if !e.IsDir() || !recordID(e.Name()) {
			continue
		}
		stamp, filed, err := d.stampOf(e.Name())
		if err != nil {
			continue // no record
		}
		there[e.Name()] = true
		if known[e.Name()] == stamp {
			continue
		}
		rec, err := record.Open(filepath.Join(d.config.Records, e.Name()))
		if err != nil {
			continue // likewise
		}
		rows = append(rows, rowOf(e.Name(), "", rec, stamp, filed))
		if len(rows) == indexBatch {
			if err := d.index.Put(ctx, rows...); err != nil {
				return len(there), err
			}
			rows = rows[:0]
		}
	}
	var gone []string
	for id := range known {
		if !there[id] {
			gone = append(gone, id)
		}
	}
	return len(there), errors.Join(d.index.Put(ctx, rows...), d.index.Remove(ctx, gone...))
}

// stampOf tells when a record was last written: by its manifest, or by its log.
func (d *Daemon) stampOf(id string) (stamp int64, filed time.Time, err error) {
	for _, name := range []string{record.ManifestFile, record.LogFile} {
		info, err := d.records.Lstat(filepath.Join(id, name))
		if err == nil && info.Mode().IsRegular() {
			return info.ModTime().UnixNano() ^ info.Size(), info.ModTime().UTC(), nil
		}
	}
	return 0, time.Time{}, fs.ErrNotExist
}

func rowOf(id, job string, rec *record.Record, stamp int64, filed time.Time) index.Row {
	r := index.Row{ID: id, Manifest: rec.ID, Job: job, Title: rec.Title, Sequence: rec.Sequence, Bench: rec.Bench.Title, Device: rec.Device, Operator: rec.Operator, Settings: rec.Settings,
		Filed: filed, Started: rec.Started, Seconds: rec.DurationSeconds, Points: len(rec.Rows), Outcome: string(rec.Outcome), Simulated: rec.Simulated,
		Finished: rec.Finished, Reason: rec.Reason, Stamp: stamp}
	if r.Job == "" {
		r.Job = rec.Job
	}
	if r.Bench == "" {
		r.Bench = rec.Bench.File
	}
	for _, in := range rec.Instruments {
		if in.Serial != "" {
			r.Serials = append(r.Serials, in.Serial)
		}
	}
	return r
}

// file enters the record of a job into the index.
func (d *Daemon) file(job string, rec *record.Record) {
	id := filepath.Base(rec.Dir)
	stamp, filed, err := d.stampOf(id)
	if err == nil {
		err = d.index.Put(context.Background(), rowOf(id, job, rec, stamp, filed))
	}
	if err != nil {
		d.log.Error().Err(err).Str("record", id).Msg("the index of records")
	}
}

func brief(r index.Row) api.Brief {
	return api.Brief{ID: r.ID, Manifest: r.Manifest, Job: r.Job, Title: r.Title, Sequence: r.Sequence, Bench: r.Bench, Device: r.Device, Operator: r.Operator, Settings: r.Settings, Serials: r.Serials,
		Filed: r.Filed, Started: r.Started, Duration: r.Seconds, Points: r.Points, Outcome: r.Outcome, Simulated: r.Simulated, Finished: r.Finished, Reason: r.Reason}
}

// Records searches the history.
func (d *Daemon) Records(ctx context.Context, q api.RecordQuery) (api.Records, error) {
	page, err := d.index.Search(ctx, index.Query{Words: q.Words, Outcome: q.Outcome, Sequence: q.Sequence, From: q.From, To: q.To, After: q.After, Limit: q.Limit})
	if errors.Is(err, index.ErrPage) {
		return api.Records{}, api.Refuse(http.StatusBadRequest, "after: "+err.Error(), "begin again without it")
	}
	out := api.Records{Records: []api.Brief{}, Total: page.Total, Next: page.Next}
	for _, r := range page.Rows {
		out.Records = append(out.Records, brief(r))
	}
	return out, err
}

// open opens a record by its id.
func (d *Daemon) open(id string) (*record.Record, error) {
	if !recordID(id) {
		return nil, notThere(fs.ErrNotExist)
	}
	d.fetchMissing(id)
	if _, _, err := d.stampOf(id); err != nil { // no link out of the folder is followed
		return nil, notThere(fs.ErrNotExist)
	}
	rec, err := record.Open(filepath.Join(d.config.Records, id))
	if missing(err) {
		return nil, notThere(fs.ErrNotExist)
	}
	return rec, err
}

// briefOf is the line of a record that has been opened.
func (d *Daemon) briefOf(ctx context.Context, id string, rec *record.Record) api.Brief {
	stamp, filed, _ := d.stampOf(id) // it was there a moment ago
	job := ""
	if r, ok, err := d.index.Get(ctx, id); err == nil && ok {
		job = r.Job
	} else if j := d.jobOf(id); j != nil {
		job = j.ID
	}
	return brief(rowOf(id, job, rec, stamp, filed))
}

func (d *Daemon) jobOf(id string) *queue.Job {
	for _, j := range d.allJobs() {
		if j.Record() == id {
			return &j
		}
	}
	return nil
}

// Record gives one record without its points.
func (d *Daemon) Record(ctx context.Context, id string) (api.Record, error) {
	rec, err := d.open(id)
	if err != nil {
		return api.Record{}, err
	}
	out := api.Record{Brief: d.briefOf(ctx, id, rec), About: rec.About, Tool: rec.Tool, Planned: rec.Planned, Columns: columnsOf(rec.Columns), Problems: rec.Problems,
		Curves: []api.Curve{}, Verdicts: []api.Verdict{}, Results: []api.Result{}, Params: []api.Param{}, Instruments: []api.Identity{}, Traces: []api.TraceHead{}, Reports: []string{}}
	for _, c := range rec.Curves {
		out.Curves = append(out.Curves, api.Curve(c))
	}
	for _, v := range rec.Verdicts {
		out.Verdicts = append(out.Verdicts, api.Verdict{Point: v.Point, Limit: v.Limit, Clause: v.Clause, Outcome: string(v.Outcome), Value: finite(v.Value), U: finite(v.U),
			Bound: finite(v.Bound), Unit: v.Unit, Why: v.Why, Advice: v.Advice})
	}
	for _, r := range rec.Results {
		out.Results = append(out.Results, api.Result{Name: r.Name, Expr: r.Expr, Unit: r.Unit, V: finite(r.SI), U: finite(r.U), Why: r.Why})
	}
	for _, p := range rec.Params {
		out.Params = append(out.Params, api.Param(p))
	}
	for _, in := range rec.Instruments {
		out.Instruments = append(out.Instruments, api.Identity{Name: in.Name, Maker: in.Maker, Model: in.Model, Serial: in.Serial, Firmware: in.Firmware, Calibrated: in.Calibrated, Roles: in.Roles})
	}
	out.Growing = !rec.Finished && record.InUse(rec.Dir)
	for _, name := range []string{"report.html", "results.xlsx", "verdict.junit.xml"} {
		if info, err := d.records.Lstat(filepath.Join(id, name)); err == nil && info.Mode().IsRegular() {
			out.Reports = append(out.Reports, name)
		}
	}
	out.Ledger = d.ledger(id)
	out.Traces = traces(rec.Dir)
	return out, nil
}

func columnsOf(list []record.Column) []api.Column {
	out := []api.Column{}
	for _, c := range list {
		out = append(out, api.Column{Name: c.Name, Kind: string(c.Kind), Unit: c.Unit, Expr: c.Expr, Node: c.Node, From: c.From})
	}
	return out
}

func finite(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

// ledger sums the account of a record's time by kind.
func (d *Daemon) ledger(id string) []api.LedgerLine {
	data, err := d.small(id, record.LedgerFile, 16<<20)
	var account struct {
		Spans []struct {
			Kind    string  `json:"kind"`
			Seconds float64 `json:"seconds"`
		} `json:"spans"`
	}
	sums := map[string]float64{}
	if err == nil && json.Unmarshal(data, &account) == nil {
		for _, s := range account.Spans {
			sums[s.Kind] += s.Seconds
		}
	} else {
		sums = d.spentSoFar(id)
	}
	var out []api.LedgerLine
	for kind, s := range sums {
		out = append(out, api.LedgerLine{Kind: kind, Seconds: s})
	}
	slices.SortFunc(out, func(a, b api.LedgerLine) int {
		if a.Seconds != b.Seconds {
			return cmpFloat(b.Seconds, a.Seconds)
		}
		return strings.Compare(a.Kind, b.Kind)
	})
	return out
}

func cmpFloat(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// small reads a file of a record that is not large.
func (d *Daemon) small(id, name string, most int64) ([]byte, error) {
	f, err := d.records.Open(filepath.Join(id, filepath.FromSlash(name)))
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }() // it was only read
	return io.ReadAll(io.LimitReader(f, most))
}

func traces(dir string) []api.TraceHead {
	out := []api.TraceHead{}
	folder := filepath.Join(dir, record.TracesFolder)
	if info, err := os.Lstat(folder); err != nil || !info.IsDir() {
		return out
	}
	names, err := trace.Names(folder)
	if err != nil {
		return out
	}
	for _, name := range names {
		t, err := trace.Open(folder, name)
		if err != nil {
			out = append(out, api.TraceHead{Name: name, Signals: []api.Signal{}})
			continue
		}
		out = append(out, headOf(t))
		_ = t.Close() // it was only read
	}
	return out
}

func headOf(t *trace.Trace) api.TraceHead {
	h := t.Head()
	out := api.TraceHead{Name: h.Name, Start: h.Start, Interval: h.IntervalSeconds, Seconds: float64(t.Len()) * h.IntervalSeconds, Trigger: float64(h.Trigger) * h.IntervalSeconds,
		Finished: true, Signals: []api.Signal{}}
	for _, s := range h.Signals {
		out.Signals = append(out.Signals, api.Signal{Name: s.Name, Unit: s.Unit, Node: s.Node})
	}
	return out
}

// Points gives points of a record, also of one that is still growing.
func (d *Daemon) Points(ctx context.Context, id string, after, limit int) (api.Points, error) {
	rec, err := d.open(id)
	if err != nil {
		return api.Points{}, err
	}
	out := api.Points{Columns: columnsOf(rec.Columns), Points: []api.Point{}, Finished: rec.Finished}
	f, err := d.File(ctx, id, record.PointsFile)
	if errors.Is(err, fs.ErrNotExist) || err != nil && isNotFound(err) {
		return out, nil
	}
	if err != nil {
		return out, err
	}
	defer func() { _ = f.Close() }() // it was only read
	data, err := io.ReadAll(f.Content)
	if err != nil {
		return out, err
	}
	var table pointTable
	for _, line := range bytes.Split(bytes.TrimSuffix(data, []byte("\n")), []byte("\n")) {
		if p, ok := table.row(line); ok && p.N > after && len(out.Points) < limit {
			out.Points = append(out.Points, p)
		}
	}
	return out, nil
}

func isNotFound(err error) bool {
	var p *api.Problem
	return errors.As(err, &p) && p.Status == http.StatusNotFound
}

// File opens a file of a record; of one that grows by lines, the whole lines. Nothing outside the folder is opened, and no link.
func (d *Daemon) File(_ context.Context, id, name string) (api.File, error) {
	inside := filepath.FromSlash(name)
	if !recordID(id) || !filepath.IsLocal(inside) {
		return api.File{}, notThere(fs.ErrNotExist)
	}
	d.fetchMissing(id)
	at := filepath.Join(id, inside)
	if info, err := d.records.Lstat(at); err != nil || !info.Mode().IsRegular() {
		return api.File{}, notThere(fs.ErrNotExist)
	}
	f, err := d.records.Open(at)
	if err != nil {
		return api.File{}, notThere(fs.ErrNotExist)
	}
	info, err := f.Stat()
	if err != nil || !info.Mode().IsRegular() {
		_ = f.Close() // it was only looked at
		return api.File{}, notThere(fs.ErrNotExist)
	}
	out := api.File{Content: f, Close: f.Close, Name: path.Base(name), Modified: info.ModTime(), Bytes: info.Size()}
	if name == record.PointsFile {
		if out.Bytes, err = wholeLines(f, info.Size()); err != nil {
			return api.File{}, errors.Join(err, f.Close())
		}
		out.Content = io.NewSectionReader(f, 0, out.Bytes)
	}
	return out, nil
}

// wholeLines is how many bytes of a file are whole lines.
func wholeLines(f io.ReaderAt, size int64) (int64, error) {
	const most = 64 << 10
	from := max(0, size-most)
	data := make([]byte, size-from)
	n, err := f.ReadAt(data, from)
	if err != nil && !errors.Is(err, io.EOF) {
		return 0, err
	}
	return from + int64(bytes.LastIndexByte(data[:n], '\n')) + 1, nil
}

// Trace sums a span of a trace up in bins.
func (d *Daemon) Trace(_ context.Context, id, name string, q api.TraceQuery) (api.TraceBins, error) {
	rec, err := d.open(id)
	if err != nil {
		return api.TraceBins{}, err
	}
	folder := filepath.Join(rec.Dir, record.TracesFolder)
	names, err := trace.Names(folder)
	if err != nil || !slices.Contains(names, name) { // what is not listed is no name, and may be a path
		return api.TraceBins{}, api.Refuse(http.StatusNotFound, "the record has no such trace", "it has "+strings.Join(names, ", "))
	}
	t, err := trace.Open(folder, name)
	if errors.Is(err, trace.ErrUnfinished) {
		return api.TraceBins{}, api.Refuse(http.StatusConflict, err.Error(), "ask again when the run is over")
	}
	if err != nil {
		return api.TraceBins{}, err
	}
	defer func() { _ = t.Close() }() // it was only read
	return binsOf(t, q)
}

func binsOf(t *trace.Trace, q api.TraceQuery) (api.TraceBins, error) {
	h := t.Head()
	signal := 0
	if q.Signal != "" {
		if signal = t.Signal(q.Signal); signal < 0 {
			return api.TraceBins{}, api.Refuse(http.StatusNotFound, "the trace has no such signal", "")
		}
	}
	from, to := int64(0), t.Len()
	for _, end := range []struct {
		text  string
		into  *int64
		round func(float64) float64
		slack float64 // of rounding, in samples
	}{{q.From, &from, math.Floor, 1e-6}, {q.To, &to, math.Ceil, -1e-6}} {
		if end.text == "" {
			continue
		}
		s, err := quantity.ParseAs(end.text, quantity.Time)
		if err != nil {
			return api.TraceBins{}, api.Refuse(http.StatusBadRequest, err.Error(), "a time since the start of the trace, as in 12.5 s")
		}
		x := end.round(s.SI/h.IntervalSeconds + end.slack)
		if !(x >= 0 && x <= float64(t.Len())) {
			return api.TraceBins{}, api.Refuse(http.StatusBadRequest, fmt.Sprintf("%s is not within the trace, which takes %g s", end.text, float64(t.Len())*h.IntervalSeconds), "")
		}
		*end.into = int64(x)
	}
	if from >= to {
		return api.TraceBins{}, api.Refuse(http.StatusBadRequest, "the span is empty", "")
	}
	bins, err := t.Zoom(signal, from, to, q.Bins, nil)
	if err != nil {
		return api.TraceBins{}, err
	}
	whole, err := t.Span(signal, from, to)
	if err != nil {
		return api.TraceBins{}, err
	}
	s := h.Signals[signal]
	out := api.TraceBins{Trace: h.Name, Signal: api.Signal{Name: s.Name, Unit: s.Unit, Node: s.Node}, From: float64(from) * h.IntervalSeconds, To: float64(to) * h.IntervalSeconds, Sum: finite(whole.Integral)}
	for _, b := range bins {
		out.T = append(out.T, float64(b.From)*h.IntervalSeconds)
		out.Min, out.Mean, out.Max = append(out.Min, finite(b.Min)), append(out.Mean, finite(b.Mean)), append(out.Max, finite(b.Max))
		out.Count = append(out.Count, b.Count)
	}
	return out, nil
}
