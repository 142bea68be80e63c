package report

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"sort"
	"strings"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
)

// Closer is a stretch of a capture that is shown by itself, because what was found there would not be seen in the whole.
type Closer struct {
	From, To int64 // samples; To is behind it
	Bins     [][]trace.Bin
	Of       []int // the figures, by their index, that lie there
}

// How captures are shown closer.
const (
	closerPart  = 0.2 // of the whole: what takes less of it is shown by itself
	closerLeast = 48  // samples
	closerMost  = 4   // pictures
	closerBins  = 800
)

const captureSuffix = ".capture.json"

// readCapture reads how a trace was captured; nil where it was not.
func readCapture(dir, name string) (*record.Capture, error) {
	c := &record.Capture{}
	err := readInside(dir, path.Join(record.AnalysisFolder, name+captureSuffix), c)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return c, err
}

// missed are captures of which there is no trace, because what was waited for did not come.
func missed(rec *record.Record) []record.Capture {
	if rec.Dir == "" {
		return nil
	}
	list, err := os.ReadDir(filepath.Join(rec.Dir, record.AnalysisFolder))
	if err != nil {
		return nil
	}
	var out []record.Capture
	for _, e := range list {
		name, ok := strings.CutSuffix(e.Name(), captureSuffix)
		if !ok {
			continue
		}
		if c, err := readCapture(rec.Dir, name); err == nil && c != nil && c.Missed != "" {
			out = append(out, *c)
		}
	}
	return out
}

// openCapture reads how the trace was captured, and what is to be seen closer.
func (t *Trace) openCapture(dir string) error {
	var err error
	if t.Capture, err = readCapture(dir, t.Name); err != nil || t.Capture == nil || t.Missing != "" || t.Brief {
		return err
	}
	f, err := trace.Open(filepath.Join(dir, record.TracesFolder), t.Name)
	if err != nil {
		return err
	}
	defer f.Close()
	for i := range t.Capture.Figures {
		from, to, ok := t.closer(t.Capture.Figures[i].Marks)
		if !ok {
			continue
		}
		joined := false
		for k := range t.Closer {
			c := &t.Closer[k]
			if from < c.To && c.From < to && float64(max(to, c.To)-min(from, c.From)) < 2*float64(c.To-c.From) { // much of it is the same
				c.From, c.To, c.Of, joined = min(from, c.From), max(to, c.To), append(c.Of, i), true
				break
			}
		}
		if !joined && len(t.Closer) < closerMost {
			t.Closer = append(t.Closer, Closer{From: from, To: to, Of: []int{i}})
		}
	}
	for k := range t.Closer {
		c := &t.Closer[k]
		for s := range t.Head.Signals {
			bins, err := f.Zoom(s, c.From, c.To, int(min(c.To-c.From, closerBins)), nil)
			if err != nil {
				return err
			}
			c.Bins = append(c.Bins, bins)
		}
	}
	return nil
}

// closer is the stretch in which the instants of some marks lie; ok is false where it is no small part of the whole.
func (t *Trace) closer(marks []record.Mark) (from, to int64, ok bool) {
	low, high, point := math.Inf(1), math.Inf(-1), false
	for _, m := range marks {
		point = point || !math.IsNaN(m.At) && !math.IsNaN(m.Low) && math.IsNaN(m.High)
		ends := []float64{m.At, m.To}
		if !math.IsNaN(m.High) { // a band goes on
			ends = ends[:1]
		}
		for _, x := range ends {
			if !math.IsNaN(x) {
				low, high = min(low, x), max(high, x)
			}
		}
	}
	if !(high >= low) || high == low && !point { // of an instant alone nothing more is seen closer
		return 0, 0, false
	}
	at := func(x float64) float64 { return x/t.Head.IntervalSeconds + float64(t.Head.Trigger) }
	span := max(at(high)-at(low), closerLeast/4)
	if span > closerPart*float64(t.Len) {
		return 0, 0, false
	}
	from, to = max(0, int64(at(low)-span)), min(t.Len, int64(at(high)+2*span)+1)
	return from, to, to-from >= 8 && float64(to-from) < 0.6*float64(t.Len)
}

// closerMoves is the part of all that a signal does that it has to do in a stretch to be shown there, if nothing was looked for in it.
const closerMoves = 0.05

// Happens tells whether a signal is worth showing in a stretch: figures were found in it there, or it moves.
func (t *Trace) Happens(signal int, c Closer) bool {
	for _, i := range c.Of {
		if t.Capture.Figures[i].Of == t.Head.Signals[signal].Name {
			return true
		}
	}
	span := func(bins []trace.Bin) float64 {
		low, high := math.Inf(1), math.Inf(-1)
		for _, b := range bins {
			if b.Count > 0 {
				low, high = min(low, b.Min), max(high, b.Max)
			}
		}
		return high - low
	}
	return span(c.Bins[signal]) > closerMoves*span(t.Overview[signal])
}

// CaptureSeconds is the time of a sample from the event.
func (t *Trace) CaptureSeconds(sample int64) float64 {
	return float64(sample-t.Head.Trigger) * t.Head.IntervalSeconds
}

// SignalRow is how one signal of a capture was sampled, in words.
type SignalRow struct{ Name, Node, From, Bandwidth, Step, Range, Leads string }

// SignalRows tells how each signal of a capture was sampled.
func (t *Trace) SignalRows() []SignalRow {
	var out []SignalRow
	if t.Capture == nil {
		return nil
	}
	text := func(x float64, dim quantity.Dimension) string {
		if math.IsNaN(x) {
			return "not stated"
		}
		return Pretty(quantity.Of(x, dim).Text(3))
	}
	for _, s := range t.Capture.Signals {
		dim := record.DimensionOf(s.Unit)
		row := SignalRow{Name: s.Name, Node: s.Node, From: s.From, Bandwidth: text(s.Bandwidth, quantity.Frequency), Step: text(s.Step, dim), Range: text(s.Range, dim), Leads: "–"}
		if math.IsNaN(s.Step) {
			row.Step = "not seen"
		}
		switch {
		case s.Corrected:
			row.Leads = text(s.LeadOhm, quantity.Resistance) + " of leads taken off"
		case s.LeadOhm > 0:
			row.Leads = text(s.LeadOhm, quantity.Resistance) + " of leads in it"
		}
		out = append(out, row)
	}
	return out
}

// FigureGroup is what one step found in a capture, in words.
type FigureGroup struct {
	Title, From string // "transient of vo"; "from 50 % of io"
	Rows        []FigureRow
	More        []FigureRow // figures that the sequence has not asked for
	Notes       []string
}

// FigureRow is one figure.
type FigureRow struct{ What, Name, Text, Biggest string }

// FigureGroups tells what was found in a capture.
func (t *Trace) FigureGroups() []FigureGroup {
	var out []FigureGroup
	if t.Capture == nil {
		return nil
	}
	for _, f := range t.Capture.Figures {
		g := FigureGroup{Title: f.Kind + " of " + f.Of, From: "times from " + Pretty(f.Cause), Notes: f.Notes}
		if f.Kind == "ripple" || f.Kind == "inrush" {
			g.From = ""
		}
		for _, x := range f.List {
			row := FigureRow{What: strings.ReplaceAll(x.What, "_", " "), Name: x.Name, Text: "none: " + x.Missing, Biggest: x.Biggest}
			if x.Missing == "" {
				row.Text = FigureText(x.What, x.Value, x.U, x.Unit)
			}
			switch {
			case x.Name != "":
				g.Rows = append(g.Rows, row)
			case x.Missing == "":
				g.More = append(g.More, row)
			}
		}
		out = append(out, g)
	}
	return out
}

// CaptureFacts says how a capture came about.
func (t *Trace) CaptureFacts() []Fact {
	c := t.Capture
	if c == nil {
		return nil
	}
	before := float64(t.Head.Trigger) * t.Head.IntervalSeconds
	out := []Fact{{"Event", Pretty(c.Trigger)}, {"Seen", c.How}, {"Taken", fmt.Sprintf("%s, %s of it before the event", t.Taken(), SecondsText(before))}}
	if c.Where != "" {
		out = append(out, Fact{"At", Pretty(c.Where)})
	}
	switch {
	case c.Apart:
		out = append(out, Fact{"Between the instruments", fmt.Sprintf("up to %s: they were triggered one after the other", SecondsText(c.Skew))})
	case c.Skew > 0:
		out = append(out, Fact{"Between the instruments", "up to " + SecondsText(c.Skew)})
	}
	if !t.Statement.Complete {
		out = append(out, Fact{"Not complete", strings.Join(t.Statement.Why, "; ")})
	}
	return out
}

// MarksOn are the marks of all figures of a signal; of those of some figures, where of is not nil.
func (t *Trace) MarksOn(signal string, of []int) []record.Mark {
	var out []record.Mark
	seen := map[record.Mark]bool{}
	for i, f := range t.Capture.Figures {
		if f.Of != signal || of != nil && !contains(of, i) {
			continue
		}
		for _, m := range f.Marks {
			key := m
			for _, x := range []*float64{&key.At, &key.To, &key.Low, &key.High} {
				if math.IsNaN(*x) {
					*x = math.MaxFloat64
				}
			}
			if !seen[key] {
				seen[key] = true
				out = append(out, m)
			}
		}
	}
	return out
}

func contains(list []int, one int) bool {
	i := sort.SearchInts(list, one)
	return i < len(list) && list[i] == one
}
