// Package html makes the page of a report: one stand-alone file that needs no network, shows its pictures without scripts,
// and lets a reader with scripts look values up in them.
package html

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"strings"
	"time"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/report"
	"fourwire/report/chart"
)

//go:embed page.tmpl
var pageText string

//go:embed page.css
var styleText string

//go:embed page.js
var scriptText string

// Options changes the page; the zero value is good.
type Options struct {
	TileBytes int64 // budget of the files beside the page, per trace; 0 is tiles.DefaultBudget
}

// Form makes report.html and, beside it, the files from which its viewers of long traces load what they show.
func Form() report.Form { return Options{}.Form() }

// Form makes the same with options.
func (o Options) Form() report.Form {
	var beside map[string]written
	return report.Form{
		Name:   report.PageFile,
		Beside: func(r *report.Report) (err error) { beside, err = writeTiles(r, o.TileBytes); return err },
		Make:   func(r *report.Report) ([]byte, error) { return pageWith(r, beside) },
	}
}

// The most rows and open verdicts that a page shows; the rest is in points.csv and record.json, as the page then says.
const (
	maxRows = 2000
	maxOpen = 100
)

// Page is the report as an HTML page; long traces are still pictures in it. Every text of the record is escaped, whoever wrote it.
func Page(r *report.Report) ([]byte, error) { return pageWith(r, nil) }

func pageWith(r *report.Report, beside map[string]written) ([]byte, error) {
	t, err := template.New("page").Funcs(template.FuncMap{
		"pretty": report.Pretty, "value": report.ValueText, "mark": outcomeMark, "class": outcomeClass, "clock": clockText,
		"join": func(list []string) string { return strings.Join(list, ", ") }, "few": few, "lead": lead, "dash": dash, "values": values,
		"outcome": report.OutcomeText, "rule": report.RuleText, "risk": report.RiskText, "share": report.Share, "percent": percent,
		"amps": amps, "usable": usable, "judged": judgedText, "slug": judgedClass,
		"times": times, "volts": voltsText, "instant": instantText, "kind": spentClass, "seconds": report.SpentText, "predicted": predictedText,
	}).Parse(pageText)
	for _, text := range []string{budgetText, traceText, captureText, ledgerText, fittedText, supplyText} {
		if err == nil {
			t, err = t.Parse(text)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("page template: %w", err)
	}
	var b bytes.Buffer
	p, err := newPage(r, beside)
	if err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	if err := t.Execute(&b, p); err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	return harmless(b.String()), nil
}

// times says how often.
func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// harmless takes control characters out of the page, and those that turn the direction of writing: the template has escaped what is markup, and
// whoever looks at the source in a terminal is to see what is there.
func harmless(text string) []byte {
	lines := strings.Split(text, "\n")
	for i := range lines {
		lines[i] = diag.Printable(lines[i])
	}
	return []byte(strings.Join(lines, "\n"))
}

type page struct {
	*report.Report
	Style     template.CSS
	LineStyle template.CSS
	Script    template.JS
	Pictures  []picture
	Limits    []limit
	Banded    bool // a rule has a guard band
	Table     table
	Plan      plan

	Uncertainty  uncertainty
	BudgetScript template.JS

	Parts      []fitView
	Supplied   []supplyView
	Spent      *spentView
	Recordings []traceView
	Captures   []traceView
	Further    []report.TraceRow
	Discharges []discharge
	Tiled      bool // a viewer loads files from beside the page
	Viewer     template.JS
}

type limit struct {
	report.Limit
	Picture template.HTML
	Shown   []record.Verdict
	More    int
}

func newPage(r *report.Report, beside map[string]written) (page, error) {
	p := page{Report: r, Style: template.CSS(styleText + budgetStyle), LineStyle: lineStyle(), Script: template.JS(scriptText), Plan: newPlan(r.Record), Table: newTable(r)}
	for i, c := range r.Curves {
		p.Pictures = append(p.Pictures, newPicture(r, c, i))
	}
	p.Parts, p.Supplied = fitViews(r), supplyViews(r)
	if p.Spent = newSpent(r.Time); p.Spent != nil {
		p.Style += template.CSS(ledgerStyle) + spentStyle()
	}
	p.Uncertainty, p.BudgetScript = newUncertainty(r), template.JS(budgetScript)
	for i, l := range r.Limits {
		open := l.Open()
		p.Banded = p.Banded || l.Closest != nil && l.Closest.Band > 0
		p.Limits = append(p.Limits, limit{l, gauge(l, i), open[:min(len(open), maxOpen)], max(0, len(open)-maxOpen)})
	}
	return p, p.battery(beside)
}

// lineStyle sets the line colours for light and dark grounds.
func lineStyle() template.CSS {
	var light, dark strings.Builder
	for _, s := range chart.Styles() {
		fmt.Fprintf(&light, "--line-%d:%s;", s.Number, s.Light)
		fmt.Fprintf(&dark, "--line-%d:%s;", s.Number, s.Dark)
	}
	return template.CSS(":root{" + light.String() + "}@media screen and (prefers-color-scheme:dark){:root{" + dark.String() + "}}")
}

// picture is one curve in its two sizes.
type picture struct {
	report.Curve
	ID           string
	Caption      string
	Wide, Narrow template.HTML
	Legend       []entry
	Marked       bool // some points are no evidence
	Hollow       bool // some points had not settled
	Bars, Bands  bool
}

type entry struct {
	Line   int
	Name   string
	Swatch template.HTML
}

func newPicture(r *report.Report, c report.Curve, number int) picture {
	return picture{Curve: c, ID: fmt.Sprintf("curve-%d", number+1), Caption: caption(r, c)}.drawn()
}

func (p picture) drawn() picture {
	c := p.Curve
	if c.Missing != "" {
		return p
	}
	text := func(line int, m chart.Mark) string { return markText(c, c.Lines[line], m.Dot) }
	wide, narrow := chart.New(c, chart.Wide), chart.New(c, chart.Narrow)
	// chart.SVG escapes what comes from the record
	p.Wide, p.Narrow = template.HTML(wide.SVG(p.Caption, text)), template.HTML(narrow.SVG(p.Caption, text))
	for _, l := range wide.Lines {
		p.Bands = p.Bands || l.Band != ""
		if len(wide.Lines) > 1 {
			p.Legend = append(p.Legend, entry{l.Source, l.Name, template.HTML(l.Style.LegendSVG())})
		}
		for _, m := range l.Marks {
			p.Marked = p.Marked || !m.Joined
			p.Hollow = p.Hollow || m.Joined && m.Hollow
			p.Bars = p.Bars || m.Down > m.Above
		}
	}
	return p
}

// caption says in words what is drawn over what.
func caption(r *report.Report, c report.Curve) string {
	say := func(col record.Column) string {
		switch about := r.About(col.Name); {
		case about != "":
			return col.Name + " (" + about + ")"
		case col.Node != "":
			return col.Name + " = " + col.Node
		case col.Expr != "":
			return col.Name + " = " + col.Expr
		}
		return col.Name
	}
	text := say(c.Y) + " over " + say(c.X)
	if c.Per != nil {
		text += ", one line per " + say(*c.Per)
	}
	return text
}

func markText(c report.Curve, l report.Line, d report.Dot) string {
	var parts []string
	if l.Name != "" {
		parts = append(parts, report.Pretty(l.Name))
	}
	parts = append(parts, c.X.Name+": "+report.WithU(d.X, d.UX, c.X.Dim), c.Y.Name+": "+report.WithU(d.Y, d.UY, c.Y.Dim))
	if d.Number == 0 { // of no point
		return strings.Join(parts, "\n")
	}
	last := fmt.Sprintf("point %d", d.Number)
	if d.Status != record.StatusOK {
		last += ": " + d.Status
		if d.Why != "" {
			last += ", " + d.Why
		}
	}
	return strings.Join(append(parts, last), "\n")
}

// table is the points as texts, one unit per column.
type table struct {
	Head   []head
	Rows   []row
	Ranges bool // ranges changed during the run: they have a column
	Parts  bool
	More   int
}

type head struct{ Name, Unit, Kind string }

type row struct {
	Number                     int
	At, Part                   string
	Cells                      []cell
	Modes, Ranges, Status, Why string
}

type cell struct{ Value, U string }

func newTable(r *report.Report) table {
	rec := r.Record
	t := table{Parts: rec.Parts}
	var scales []report.Scale
	for _, c := range rec.Columns {
		s := report.ColumnScale(rec, c)
		scales = append(scales, s)
		t.Head = append(t.Head, head{c.Name, report.Pretty(s.Symbol), string(c.Kind)})
	}
	for _, s := range r.Measured {
		t.Ranges = t.Ranges || len(s.Ranges) > 1
	}
	for _, p := range rec.Rows[:min(len(rec.Rows), maxRows)] {
		out := row{Number: p.Number, At: fmt.Sprintf("%.3f", p.At.Seconds()), Part: p.Part, Modes: pairs(p.Modes), Ranges: pairs(p.Ranges), Status: p.Status(), Why: p.Why}
		for i, c := range rec.Columns {
			got, ok := p.Cells[c.Name]
			switch {
			case got.Overload:
				out.Cells = append(out.Cells, cell{Value: "over range"})
			case !ok:
				out.Cells = append(out.Cells, cell{})
			default:
				v, u := scales[i].Numbers(got.SI, got.U)
				out.Cells = append(out.Cells, cell{v, u})
			}
		}
		t.Rows = append(t.Rows, out)
	}
	t.More = len(rec.Rows) - len(t.Rows)
	return t
}

// pairs is a map as text, sorted by name.
func pairs(m map[string]string) string {
	return strings.TrimSuffix(strings.TrimPrefix(strings.ReplaceAll(fmt.Sprint(m), ":", " "), "map["), "]")
}

func outcomeClass(o record.Outcome) string {
	switch o {
	case record.Pass, record.Fail, record.Undecided:
		return string(o)
	}
	return "unjudged"
}

// outcomeMark is a sign beside the word, for readers who cannot tell the colours apart.
func outcomeMark(o record.Outcome) string {
	switch o {
	case record.Pass:
		return "✓"
	case record.Fail:
		return "✕"
	case record.Undecided:
		return "?"
	}
	return "–"
}

func clockText(d time.Duration) string { return fmt.Sprintf("%.3f s", d.Seconds()) }

func lead(ohm float64) string {
	if ohm == 0 {
		return ""
	}
	return report.Pretty(quantity.Of(ohm, quantity.Resistance).Text(3))
}

// values lists a few values whole and many by their ends.
func values(list []string) string {
	if len(list) <= 6 {
		return strings.Join(list, ", ")
	}
	return fmt.Sprintf("%s, %s ... %s (%d values)", list[0], list[1], list[len(list)-1], len(list))
}

// few lists the first of many texts.
func few(list []string) string {
	if len(list) <= 3 {
		return strings.Join(list, ", ")
	}
	return fmt.Sprintf("%s and %d others", strings.Join(list[:2], ", "), len(list)-2)
}

func dash(text string) string {
	if text == "" {
		return "–"
	}
	return text
}
