package html

import (
	"cmp"
	_ "embed" // of the page's parts
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/report"
	"fourwire/report/chart"
	"fourwire/report/html/viewer"
	"fourwire/report/tiles"
)

//go:embed trace.tmpl
var traceText string

//go:embed trace.css
var traceStyle string

// viewerScript is the viewer of traces, in one piece.
func viewerScript() (script, style string, err error) {
	script, err = viewer.Script(viewer.Reports()...)
	if err != nil {
		return "", "", err
	}
	style, err = viewer.Style()
	return "(() => {\n\"use strict\";\n" + script + "})();\n", style, err
}

// traceView is a trace on the page.
type traceView struct {
	*report.Trace
	ID           string
	Caption      string
	Wide, Narrow template.HTML
	Stills       []still    // of a capture
	EventAt      string     // since its first sample
	Data         *traceData // nil: nothing to look into, the picture stands alone
	States       []stateRow
	Pictures     []picture
	Ranges       []rangeRow
	EventsLeft   int // how many of the events the viewer's buttons go to; 0: all
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
	Events []int64    `json:"events"` // first sample, how many; and so on
	Lines  [][2]any   `json:"lines"`  // thresholds by name
	Gaps   [][2]int64 `json:"gaps"`
}

// How many spans, events and gaps go into the page.
const (
	mostSpans  = 20000
	mostEvents = 5000
	mostGaps   = 1000
)

func newTraceView(t *report.Trace, with written, number int) traceView {
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
	if with.index != nil {
		v.Data = newTraceData(t, with.index, with.events)
		if len(with.events) > mostEvents {
			v.EventsLeft = mostEvents
		}
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

func newTraceData(t *report.Trace, x *tiles.Index, events []report.Event) *traceData {
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
	for _, e := range greatest(events, mostEvents) {
		from := index(t, e.Start)
		d.Events = append(d.Events, from, index(t, e.Start+e.Seconds)-from)
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

// index is the sample at a time since the start.
func index(t *report.Trace, seconds float64) int64 {
	return max(0, min(t.Len, int64(math.Round(seconds/t.Head.IntervalSeconds))))
}

// greatest gives those events that have the most charge, not more than so many, in order of time.
func greatest(events []report.Event, most int) []report.Event {
	if len(events) <= most {
		return events
	}
	list := slices.Clone(events)
	slices.SortStableFunc(list, func(a, b report.Event) int { return cmp.Compare(b.Coulombs, a.Coulombs) })
	list = list[:most]
	slices.SortFunc(list, func(a, b report.Event) int { return cmp.Compare(a.Start, b.Start) })
	return list
}

// kept are the samples around events, with half of their length on both sides: first those with a charge that matters beside the greatest,
// then the others, both spread over the trace.
func kept(t *report.Trace, events []report.Event) []tiles.Span {
	most := 0.0
	for _, e := range events {
		most = max(most, e.Coulombs)
	}
	var large, small []tiles.Span
	for _, e := range events {
		s := tiles.Span{From: index(t, e.Start-0.5*e.Seconds), To: index(t, e.Start+1.5*e.Seconds)}
		if e.Coulombs >= 0.01*most {
			large = append(large, s)
		} else {
			small = append(small, s)
		}
	}
	return append(tiles.Spread(large), tiles.Spread(small)...)
}

// written is what was written beside a page for a trace.
type written struct {
	index  *tiles.Index // nil: nothing
	events []report.Event
}

// writeTiles writes the files that the viewers of a page load.
func writeTiles(r *report.Report, budget int64) (map[string]written, error) {
	out := map[string]written{}
	for i := range r.Traces {
		t := &r.Traces[i]
		if t.Missing != "" || t.Brief {
			continue
		}
		events, folder := t.Events(r.Record), filepath.Join(r.Record.Dir, report.Folder, t.Name)
		x, err := writeTrace(r.Record.Dir, t.Name, folder, tiles.Options{Budget: budget, Keep: kept(t, events)})
		var unreadable *unreadableError
		if errors.As(err, &unreadable) { // the page is made all the same, with a still picture
			t.Trust.Lines = append(t.Trust.Lines, report.Fact{Name: "Single samples", Value: "cannot be shown: " + err.Error()})
			if err := os.RemoveAll(folder); err != nil {
				return nil, err
			}
			continue
		}
		if err != nil {
			return nil, err
		}
		if x.Len > 0 {
			out[t.Name] = written{x, events}
		}
	}
	return out, nil
}

// unreadableError says that a trace, and not the place for the files, is the trouble.
type unreadableError struct{ error }

func (e *unreadableError) Unwrap() error { return e.error }

func writeTrace(dir, name, folder string, o tiles.Options) (*tiles.Index, error) {
	f, err := trace.Open(filepath.Join(dir, record.TracesFolder), name)
	if err != nil {
		return nil, &unreadableError{err}
	}
	defer f.Close()
	x, err := tiles.Write(folder, f, o)
	var place *fs.PathError
	if err != nil && !errors.As(err, &place) {
		return nil, &unreadableError{err}
	}
	return x, err
}

// Text is the data as it stands in a script element that is no script: nothing in it may end the element.
func (d *traceData) Text() (template.JS, error) {
	text, err := json.Marshal(d) // it writes < > & as escapes
	return template.JS(text), err
}
