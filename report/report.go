// Package report works out what a report of a run contains, from the run's record and nothing else: title, verdicts by
// limit, curves, conditions, cautions, tables. The packages below it give that content its forms: a page, a workbook, a
// file for continuous integration, a terminal.
package report

import (
	"fmt"
	"sort"
	"strings"
	"time"

	"fourwire/quantity"
	"fourwire/record"
)

// Report is the content of a report, ready to be shown. Numbers are in SI units beside their texts.
type Report struct {
	Record   *record.Record
	Title    string
	Headline string   // the outcome in one sentence
	Notices  []Notice // what a reader must know before believing anything below
	Facts    []Fact
	Measured []Source
	Cautions []Caution
	Limits   []Limit
	Curves   []Curve
	Results  []Result
	Worst    []Worst          // values whose uncertainty matters most, with what it consists of
	Applied  []Remark         // corrections of readings
	Remarks  []Remark         // on how uncertainties were worked out
	Stepped  []Stepped        // how sweeps were stepped, where they chose
	Log      []record.Event   // what is worth telling: warnings, errors, notes
	LogMore  int              // further such events, left out
	Inputs   []record.File    // files of the run with their hashes, without those made from it
	Traces   []Trace          // long signals, with what was found in them
	Missed   []record.Capture // captures of which there is nothing: what they waited for did not come
	Lives    []Life           // of batteries
	Played   []Played         // batteries that a source played
	Supplies []Supply         // voltages over time that sources were taken through
	Rails    []record.Rails   // supplies that came up in order
	Fitted   []Fitted         // parts with their laws
	Time     *Spent           // where the time went; nil: the record does not say

	budgets map[budgetKey]Budget
}

// Notice is something wrong or unusual with the run as a whole.
type Notice struct {
	Grave bool
	Text  string
}

// Fact is a name and what it is.
type Fact struct{ Name, Value string }

// Source says where a measured column came from.
type Source struct {
	Column  record.Column
	Ranges  []string // used, in order of appearance
	Biggest []string // contributors that were the biggest of its uncertainty at some point
}

// Caution is a short warning for whoever repeats the test.
type Caution struct{ Title, Text string }

// Result is a value over all points with its text.
type Result struct {
	record.Result
	Text string // value and U with their unit, or why there is none
}

// The most log events that are shown.
const maxLog = 200

// New works the content out. A record that was cut off gives a report that says so.
func New(rec *record.Record) *Report {
	r := &Report{Record: rec, Title: rec.Title}
	if r.Title == "" {
		r.Title = "Run without a title"
	}
	r.Limits = limits(rec)
	r.Headline = headline(rec, r.Limits)
	r.Stepped = stepped(rec)
	r.Notices = notices(rec, chose(r.Stepped))
	r.Facts = facts(rec, chose(r.Stepped))
	list := profiles(rec)
	supply, remarks := supplies(list)
	r.Facts, r.Notices = append(r.Facts, supply...), append(r.Notices, remarks...)
	r.Supplies = suppliesOf(list)
	r.Rails = kept[record.Rails](rec, record.AnalysisFolder, ".rails.json")
	groups, faults := railFacts(r.Rails)
	r.Facts, r.Notices = append(r.Facts, groups...), append(r.Notices, faults...)
	r.Measured = sources(rec)
	r.Cautions = cautions(rec)
	r.Curves = curves(rec)
	for _, x := range rec.Results {
		r.Results = append(r.Results, Result{x, resultText(x)})
	}
	r.budgets = budgets(rec)
	r.Worst = r.worst()
	r.Applied, r.Remarks = corrections(rec)
	for _, e := range rec.Log {
		if !notable(e) {
			continue
		}
		if len(r.Log) == maxLog {
			r.LogMore++
			continue
		}
		r.Log = append(r.Log, e)
	}
	r.Traces = traces(rec)
	r.Missed = missed(rec)
	r.Lives = lives(rec, r.Traces)
	r.Played = played(rec)
	r.Fitted = fitted(rec)
	var err error
	if r.Time, err = spent(rec); err != nil {
		r.Notices = append(r.Notices, Notice{false, sentence(err.Error())})
	}
	for _, f := range rec.Files {
		if !made(f.Path) {
			r.Inputs = append(r.Inputs, f)
		}
	}
	return r
}

// made tells the files that are made from a record from those of the run.
func made(path string) bool {
	return path == PageFile || path == WorkbookFile || path == JUnitFile || strings.HasPrefix(path, Folder+"/")
}

func notable(e record.Event) bool {
	switch e.Kind {
	case "verdict", "result", "columns", "start", "instruments", "end", "budget":
		return false
	case "note", "trip":
		return true
	}
	return e.Level == "warn" || e.Level == "error" || e.Level == "fatal" || e.Level == "panic"
}

// notices are told with chosen where a sweep chose its number of points: fewer than planned is then no lack, unless the run ended early.
func notices(rec *record.Record, chosen bool) []Notice {
	var out []Notice
	if rec.Reason != "" {
		out = append(out, Notice{true, "The run ended early: " + rec.Reason + "."})
	}
	for _, p := range rec.Problems {
		out = append(out, Notice{true, sentence(p)})
	}
	if rec.Planned > len(rec.Rows) && len(rec.Rows) > 0 && (!chosen || rec.Reason != "" || !rec.Finished) {
		out = append(out, Notice{true, fmt.Sprintf("%d of %d planned points were measured.", len(rec.Rows), rec.Planned)})
	}
	if rec.Simulated {
		out = append(out, Notice{false, "Simulated bench: no device and no instrument took part; its clock is the simulation's own."})
	}
	if text := reservations(rec); text != "" {
		out = append(out, Notice{false, text})
	}
	return out
}

// sentence makes one of a finding; a finding that starts with a file's name keeps it as it is written.
func sentence(text string) string {
	if first, _, _ := strings.Cut(text, " "); !strings.Contains(first, ".") && text != "" {
		text = strings.ToUpper(text[:1]) + text[1:]
	}
	return text + "."
}

// reservations counts the points that are no full evidence; empty where all are.
func reservations(rec *record.Record) string {
	counts := map[string]int{}
	for _, p := range rec.Rows {
		counts[p.Status()]++
	}
	var parts []string
	for _, s := range []struct{ status, text string }{
		{record.StatusInvalid, "%d invalid"}, {record.StatusOverload, "%d with a value over range"}, {record.StatusNotSettled, "%d not settled"},
	} {
		if n := counts[s.status]; n > 0 {
			parts = append(parts, fmt.Sprintf(s.text, n))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return fmt.Sprintf("%d of %s to be read with care: %s. They are kept and marked; invalid ones are not judged.",
		len(rec.Rows)-counts[record.StatusOK], count(len(rec.Rows), "point"), strings.Join(parts, ", "))
}

func facts(rec *record.Record, chosen bool) []Fact {
	var out []Fact
	add := func(name, value string) {
		if value != "" {
			out = append(out, Fact{name, value})
		}
	}
	if !rec.Started.IsZero() {
		add("Started", rec.Started.UTC().Format("2006-01-02 15:04:05")+" UTC")
		add("Lasted", Lasted(time.Duration(rec.DurationSeconds*float64(time.Second))))
	}
	add("Points", pointsText(rec, chosen))
	add("Device", rec.Device)
	add("Operator", rec.Operator)
	add("Sequence", rec.Sequence)
	bench := rec.Bench.Title
	if rec.Bench.File != "" {
		bench = strings.TrimSpace(bench + " (" + rec.Bench.File + ")")
	}
	add("Bench", bench)
	if rec.Bench.AmbientKelvin > 0 {
		add("Ambient", Pretty(quantity.Of(rec.Bench.AmbientKelvin, quantity.Temperature).Text(4))+", as stated")
	}
	if rec.Seed != nil {
		add("Seed", fmt.Sprint(*rec.Seed))
	}
	add("Made by", rec.Tool)
	add("Record", rec.ID)
	return out
}

func pointsText(rec *record.Record, chosen bool) string {
	ok := 0
	for _, p := range rec.Rows {
		if p.Status() == record.StatusOK {
			ok++
		}
	}
	text := fmt.Sprint(len(rec.Rows))
	if chosen && rec.Planned > len(rec.Rows) {
		text += fmt.Sprintf(", up to %d were allowed", rec.Planned)
	} else if rec.Planned > 0 && rec.Planned != len(rec.Rows) {
		text += fmt.Sprintf(" of %d planned", rec.Planned)
	}
	if ok != len(rec.Rows) {
		text += fmt.Sprintf(", %d of them without reservation", ok)
	}
	return text
}

// Lasted is a duration for people: "850 ms", "21.0 s", "3 min 5 s", "2 h 4 min".
func Lasted(d time.Duration) string {
	switch {
	case d < time.Second:
		return fmt.Sprintf("%d ms", d.Milliseconds())
	case d < time.Minute:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < time.Hour:
		return fmt.Sprintf("%d min %d s", int(d.Minutes()), int(d.Seconds())%60)
	}
	return fmt.Sprintf("%d h %d min", int(d.Hours()), int(d.Minutes())%60)
}

func sources(rec *record.Record) []Source {
	var out []Source
	for _, c := range rec.Columns {
		if c.Kind == record.Coordinate {
			continue
		}
		s := Source{Column: c}
		for _, p := range rec.Rows {
			s.Ranges = appendNew(s.Ranges, p.Ranges[c.Name])
			s.Biggest = appendNew(s.Biggest, p.Cells[c.Name].Biggest)
		}
		sort.Strings(s.Biggest)
		out = append(out, s)
	}
	return out
}

func appendNew(list []string, text string) []string {
	if text == "" {
		return list
	}
	for _, have := range list {
		if have == text {
			return list
		}
	}
	return append(list, text)
}

func resultText(x record.Result) string {
	if x.Why != "" {
		return "none: " + x.Why
	}
	what, _, _ := strings.Cut(x.Expr, " of ") // "ideality of diode": a parameter of a part
	return FigureText(what, x.SI, x.U, x.Unit)
}

// About is what the sequence says of a parameter with this name; empty where it says nothing.
func (r *Report) About(name string) string {
	for _, p := range r.Record.Params {
		if p.Name == name {
			return p.About
		}
	}
	return ""
}
