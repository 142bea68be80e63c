package html

import (
	"embed"
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"path/filepath"
	"strings"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/report"
	"fourwire/report/chart"
	"fourwire/report/tiles"
)

//go:embed trace.tmpl
var traceText string

//go:embed trace.css
var traceStyle string

//go:embed viewer
var viewerFiles embed.FS

// viewerScript is the viewer of traces, in one piece.
func viewerScript() (script, style string, err error) {
	var b strings.Builder
	b.WriteString("(() => {\n\"use strict\";\n")
	for _, name := range []string{"text.js", "store.js", "draw.js", "viewer.js"} {
		data, err := viewerFiles.ReadFile("viewer/" + name)
		if err != nil {
			return "", "", err
		}
		b.Write(data)
	}
	b.WriteString("})();\n")
	css, err := viewerFiles.ReadFile("viewer/viewer.css")
	return b.String(), string(css), err
}

// traceView is a trace on the page.
type traceView struct {
	*report.Trace
	ID           string
	Caption      string
	Wide, Narrow template.HTML
	Data         *traceData // nil: nothing to look into, the picture stands alone
	States       []stateRow
	Pictures     []picture
	Ranges       []rangeRow
	EventsShown  int
}

type stateRow struct {
	record.DrainState
	Number                                   int // of its colour
	Charge, Mean, Peak, Time, Part, PartTime string
}

type rangeRow struct{ Full, Time, Charge string }

// traceData is what the viewer gets.
type traceData struct {
	*tiles.Index
	Record string     `json:"record"` // how the record is called on the command line
	States []string   `json:"states"`
	Spans  []int64    `json:"spans"`  // samples since the span before, state; and so on
	Events []int64    `json:"events"` // first sample, how many, kind; and so on
	Lines  [][2]any   `json:"lines"`  // thresholds by name
	Gaps   [][2]int64 `json:"gaps"`
}

// How many spans, events and gaps go into the page.
const (
	mostSpans  = 20000
	mostEvents = 5000
	mostGaps   = 1000
)

func newTraceView(t *report.Trace, index *tiles.Index, number int) traceView {
	v := traceView{Trace: t, ID: fmt.Sprintf("trace-%d", number+1)}
	if t.Missing != "" || len(t.Head.Signals) == 0 || t.Len == 0 {
		return v
	}
	k := t.Current()
	s := t.Head.Signals[k]
	o := chart.Overview{Name: s.Name, Bins: t.Overview[k], Seconds: t.Seconds(), Len: t.Len, Dim: record.DimensionOf(s.Unit), Log: s.Unit == "A"}
	if s.Node != "" {
		o.Name = s.Node
	}
	if t.Drain != nil {
		for _, s := range t.Drain.States {
			o.States = append(o.States, s.Name)
		}
		for _, s := range t.Drain.Spans {
			o.Spans = append(o.Spans, chart.Span{From: s.FromIndex, State: s.State})
		}
	}
	v.Caption = fmt.Sprintf("%s, %s. Shaded: from the least to the greatest sample; line: mean", t.Title(), t.Taken())
	narrow := chart.Narrow
	narrow.Height += 10 * len(o.States)
	v.Wide, v.Narrow = template.HTML(o.SVG(chart.Wide, v.Caption)), template.HTML(o.SVG(narrow, v.Caption)) // it escapes what comes from the record
	if index != nil {
		v.Data = newTraceData(t, index)
	}
	v.drain(t.Drain)
	return v
}

func (v *traceView) drain(d *record.Drain) {
	if d == nil {
		return
	}
	for k, s := range d.States {
		v.States = append(v.States, stateRow{DrainState: s, Number: chart.StyleOf(k).Number, Charge: report.WithU(s.Coulombs, s.U, quantity.Charge), Mean: amps(s.MeanAmps), Peak: amps(s.PeakAmps),
			Time: report.SecondsText(s.Seconds), Part: report.Share(s.Share), PartTime: report.TimeShare(s.TimeShare)})
	}
	for _, r := range d.Ranges {
		v.Ranges = append(v.Ranges, rangeRow{amps(r.FullAmps), report.SecondsText(r.Seconds), report.Pretty(quantity.Of(r.Coulombs, quantity.Charge).Text(4))})
	}
	for i, c := range v.DrainCurves() {
		p := picture{Curve: c, ID: fmt.Sprintf("%s-ccdf-%d", v.ID, i+1), Caption: "For which fraction of the time the current is above a value: a steep step is a state, and the further left a line lies, the less is drawn"}
		v.Pictures = append(v.Pictures, p.drawn())
	}
}

func amps(x float64) string { return report.Pretty(quantity.Of(x, quantity.Current).Text(3)) }

func newTraceData(t *report.Trace, x *tiles.Index) *traceData {
	d := &traceData{Index: x, Record: "RECORD", States: []string{}, Spans: []int64{}, Events: []int64{}, Lines: [][2]any{}, Gaps: [][2]int64{}}
	for _, g := range t.Statement.Gaps[:min(len(t.Statement.Gaps), mostGaps)] {
		d.Gaps = append(d.Gaps, [2]int64{g.Start, g.Count})
	}
	if t.Drain == nil {
		return d
	}
	for _, s := range t.Drain.States {
		d.States = append(d.States, s.Name)
	}
	before := int64(0)
	for _, s := range t.Drain.Spans[:min(len(t.Drain.Spans), mostSpans)] {
		d.Spans = append(d.Spans, s.FromIndex-before, int64(s.State))
		before = s.FromIndex
	}
	if n := len(t.Drain.Spans); n > mostSpans { // not known from there on
		d.Spans = append(d.Spans, t.Drain.Spans[mostSpans].FromIndex-before, -1)
	}
	for _, e := range eventSpans(t, 0)[:min(t.Drain.Count, len(t.Drain.Events), mostEvents)] {
		d.Events = append(d.Events, e.From, e.To-e.From, 0)
	}
	for i := range len(d.Events) / 3 {
		d.Events[3*i+2] = int64(t.Drain.Events[i].Kind)
	}
	for _, l := range []struct {
		name string
		x    float64
	}{{"floor", t.Drain.FloorAmps}, {"ends below", t.Drain.LeaveAmps}, {"begins above", t.Drain.EnterAmps}} {
		if l.x > 0 && !math.IsInf(l.x, 0) {
			d.Lines = append(d.Lines, [2]any{l.name, l.x})
		}
	}
	return d
}

// eventSpans are the samples of the events, with a margin on both sides in parts of their length.
func eventSpans(t *report.Trace, margin float64) []tiles.Span {
	var out []tiles.Span
	if t.Drain == nil {
		return nil
	}
	for _, e := range t.Drain.Events {
		room := margin * e.Seconds
		out = append(out, tiles.Span{From: int64(math.Round((e.Start - room) / t.Head.IntervalSeconds)), To: int64(math.Round((e.Start + e.Seconds + room) / t.Head.IntervalSeconds))})
	}
	return out
}

// writeTiles writes the files that the viewers of a page load.
func writeTiles(r *report.Report, budget int64) (map[string]*tiles.Index, error) {
	out := map[string]*tiles.Index{}
	for i := range r.Traces {
		t := &r.Traces[i]
		if t.Missing != "" {
			continue
		}
		f, err := trace.Open(filepath.Join(r.Record.Dir, record.TracesFolder), t.Name)
		if err != nil {
			return nil, err
		}
		index, err := tiles.Write(filepath.Join(r.Record.Dir, report.Folder, t.Name), f, tiles.Options{Budget: budget, Keep: eventSpans(t, 0.5)})
		if err = errorOr(err, f.Close()); err != nil {
			return nil, err
		}
		if index.Len > 0 {
			out[t.Name] = index
		}
	}
	return out, nil
}

func errorOr(first, second error) error {
	if first != nil {
		return first
	}
	return second
}

// Text is the data as it stands in a script element that is no script: nothing in it may end the element.
func (d *traceData) Text() (template.JS, error) {
	text, err := json.Marshal(d) // it writes < > & as escapes
	return template.JS(text), err
}
