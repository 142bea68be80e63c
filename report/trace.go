package report

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path"
	"path/filepath"
	"strings"
	"time"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
)

// Trace is a long signal of the record with what was found in it.
type Trace struct {
	Name      string
	Head      trace.Head
	Len       int64 // index behind the last sample
	Statement trace.Statement
	Overview  [][]trace.Bin // per signal, about overviewBins of them over the whole trace
	Trust     Trust
	Drain     *record.Drain   // nil: nobody has analysed it
	Capture   *record.Capture // how it was taken around an event; nil: it is a recording
	Closer    []Closer        // of a capture
	Brief     bool            // one of so many that it is only listed: there is no overview
	Missing   string          // why the trace cannot be shown; empty where it can
}

// mostShown is how many traces are shown one by one.
const mostShown = 12

// overviewBins is how fine the picture of a whole trace is.
const overviewBins = 2000

// Folder is where the files of a record's page are that are loaded when they are wanted. They are made from the record, as the page is.
const Folder = "report"

func traces(rec *record.Record) []Trace {
	if rec.Dir == "" {
		return nil
	}
	dir := filepath.Join(rec.Dir, record.TracesFolder)
	names, err := trace.Names(dir)
	if err != nil {
		return []Trace{{Name: record.TracesFolder, Missing: err.Error()}}
	}
	var out []Trace
	for i, name := range names {
		t := Trace{Name: name, Brief: i >= mostShown}
		if err := t.open(dir); err != nil {
			t.Missing = err.Error()
		}
		if err := t.openCapture(rec.Dir); err != nil {
			t.Trust.Lines = append(t.Trust.Lines, Fact{"How it was captured", "cannot be read: " + err.Error()})
		}
		if t.Drain, err = readDrain(rec.Dir, name); err != nil {
			t.Drain = nil
			t.Trust.Lines = append(t.Trust.Lines, Fact{"What was found in it", "cannot be read: " + err.Error()})
		}
		out = append(out, t)
	}
	return out
}

func (t *Trace) open(dir string) error {
	f, err := trace.Open(dir, t.Name)
	if err != nil {
		return err
	}
	defer f.Close()
	t.Head, t.Len, t.Statement = f.Head(), f.Len(), f.Statement()
	for k := range t.Head.Signals {
		if t.Brief {
			break
		}
		var bins []trace.Bin
		if t.Len > 0 {
			if bins, err = f.Zoom(k, 0, t.Len, int(min(t.Len, overviewBins)), nil); err != nil {
				return err
			}
		}
		t.Overview = append(t.Overview, bins)
	}
	t.Trust = trust(t)
	return nil
}

// readDrain reads what was found in a trace; nil where nobody has looked.
func readDrain(dir, name string) (*record.Drain, error) {
	d := &record.Drain{}
	err := readInside(dir, path.Join(record.AnalysisFolder, name+".drain.json"), d)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return d, err
}

// Current is which signal is the current; 0 where none is one.
func (t *Trace) Current() int {
	for i, s := range t.Head.Signals {
		if s.Unit == "A" {
			return i
		}
	}
	return 0
}

// Seconds is how long the trace is.
func (t *Trace) Seconds() float64 { return float64(t.Len) * t.Head.IntervalSeconds }

// Title is what the trace is of: "Current at node.supply".
func (t *Trace) Title() string {
	if len(t.Head.Signals) == 0 {
		return "Trace " + t.Name
	}
	s := t.Head.Signals[t.Current()]
	what := map[string]string{"A": "Current", "V": "Voltage"}[s.Unit]
	if what == "" {
		what = s.Name
	}
	if node := inside(s.Node); node != "" {
		return what + " at " + node
	}
	return what + " " + s.Name
}

// inside is the node of "i(node.supply)".
func inside(text string) string {
	_, after, ok := strings.Cut(text, "(")
	if !ok {
		return ""
	}
	return strings.TrimSuffix(after, ")")
}

// Taken says how the trace was sampled: "86 400 000 samples, one every 1 ms, for 24 h 0 min".
func (t *Trace) Taken() string {
	return fmt.Sprintf("%s, one every %s, for %s", Grouped(t.Statement.Received)+" samples", SecondsText(t.Head.IntervalSeconds), SecondsText(t.Seconds()))
}

// Grouped writes a whole number with its thousands apart.
func Grouped(n int64) string {
	text := fmt.Sprint(n)
	for at := len(text) - 3; at > 0 && text[at-1] != '-'; at -= 3 {
		text = text[:at] + "\u202f" + text[at:] // a narrow space that does not break
	}
	return text
}

// SecondsText is a time of any size with about four digits: "3 ms", "12.5 s", "2 h 4 min".
func SecondsText(seconds float64) string {
	if math.Abs(seconds) >= 60 {
		text := Lasted(time.Duration(seconds * float64(time.Second)))
		return strings.TrimSuffix(strings.TrimSuffix(text, " 0 s"), " 0 min")
	}
	return Pretty(quantity.Of(seconds, quantity.Time).Text(4))
}

// ChargeText is a charge with its uncertainty, in coulombs and in ampere hours.
func ChargeText(e record.Estimate) string {
	return WithU(e.Value, e.U, quantity.Charge) + " = " + AmpereHours(e.Value, e.U)
}

// AmpereHours is a charge in the unit of batteries, rounded for its uncertainty.
func AmpereHours(coulombs, u float64) string {
	s := Scale{Factor: 3600, Symbol: "Ah"}
	for _, p := range []struct {
		factor float64
		symbol string
	}{{3.6e-6, "nAh"}, {3.6e-3, "µAh"}, {3.6, "mAh"}} {
		if math.Abs(coulombs) < 1000*p.factor {
			s = Scale{Factor: p.factor, Symbol: p.symbol}
			break
		}
	}
	value, _ := s.Numbers(coulombs, u)
	return value + " " + s.Symbol
}

// TraceRow is a trace in one row.
type TraceRow struct{ Name, Taken, Whole, Mean, Charge string }

// Row tells a trace in one row.
func (t *Trace) Row() TraceRow {
	out := TraceRow{Name: t.Name, Taken: t.Taken(), Whole: "complete", Mean: "–", Charge: "–"}
	switch {
	case t.Missing != "":
		out.Taken, out.Whole = "–", "cannot be shown: "+t.Missing
	case !t.Trust.Complete:
		out.Whole, _, _ = strings.Cut(t.Trust.Headline, ".")
	}
	if t.Drain != nil {
		out.Mean, out.Charge = WithU(t.Drain.Mean.Value, t.Drain.Mean.U, quantity.Current), WithU(t.Drain.Charge.Value, t.Drain.Charge.U, quantity.Charge)
	}
	return out
}

// Figures are the numbers of the whole recording, each with its uncertainty.
func (t *Trace) Figures() []Fact {
	d := t.Drain
	if d == nil {
		return nil
	}
	var out []Fact
	add := func(name, value string) {
		if !strings.HasPrefix(value, "no value") {
			out = append(out, Fact{name, value})
		}
	}
	add("Mean current", WithU(d.Mean.Value, d.Mean.U, quantity.Current))
	add("Charge", ChargeText(d.Charge))
	add("Energy", WithU(d.Energy.Value, d.Energy.U, quantity.Energy))
	add("RMS", WithU(d.RMS.Value, d.RMS.U, quantity.Current))
	add("Peak", WithU(d.Peak.Value, d.Peak.U, quantity.Current))
	if x := d.Inrush; x != nil {
		add("Inrush", fmt.Sprintf("%s at %s, %s in %s", Pretty(quantity.Of(x.PeakAmps, quantity.Current).Text(3)), SecondsText(x.Start),
			Pretty(quantity.Of(x.Coulombs, quantity.Charge).Text(3)), SecondsText(x.Seconds)))
	}
	add("Events", fmt.Sprintf("%s in %s", Grouped(int64(d.Count)), SecondsText(d.ToSeconds-d.FromSeconds)))
	if d.Mean.Biggest != "" {
		add("U of the mean mostly from", d.Mean.Biggest)
	}
	return out
}

// Thresholds says how events were told from the rest; empty where it is not known.
func (t *Trace) Thresholds() string {
	d := t.Drain
	if d == nil || !(d.EnterAmps > 0) {
		return ""
	}
	text := fmt.Sprintf("Floor %s; an event begins above %s and ends below %s", ampsText(d.FloorAmps), ampsText(d.EnterAmps), ampsText(d.LeaveAmps))
	if d.Method != "" {
		text += ": " + d.Method
	}
	return strings.TrimSuffix(text, ".") + "."
}

func ampsText(x float64) string { return Pretty(quantity.Of(x, quantity.Current).Text(3)) }
