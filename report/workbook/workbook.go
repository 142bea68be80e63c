// Package workbook makes the spreadsheet of a report: points with live formulas for what was derived, native charts, verdicts
// and conditions, so that whoever gets it can go on working with the numbers.
package workbook

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"

	"fourwire/record"
	"fourwire/report"
)

// The sheets, in order.
const (
	summarySheet    = "Summary"
	pointsSheet     = "Points"
	chartsSheet     = "Charts"
	verdictsSheet   = "Verdicts"
	budgetSheet     = "Budget"
	conditionsSheet = "Conditions"
	dataSheet       = "Chart data"
)

// Form makes results.xlsx.
func Form() report.Form { return report.Form{Name: report.WorkbookFile, Make: Make} }

// Make is the report as a workbook. The same report gives the same bytes.
func Make(r *report.Report) ([]byte, error) {
	f := excelize.NewFile()
	defer f.Close()
	b := &book{File: f, report: r}
	for _, step := range []func() error{
		b.sheets, b.styles, b.points, b.verdicts, b.budget, b.curves, b.battery, b.supplies, b.time, b.summary, b.conditions, b.properties,
	} {
		if err := step(); err != nil {
			return nil, fmt.Errorf("workbook: %w", err)
		}
	}
	raw, err := f.WriteToBuffer()
	if err != nil {
		return nil, fmt.Errorf("workbook: %w", err)
	}
	return settle(raw.Bytes(), b.logX)
}

type book struct {
	*excelize.File
	report *report.Report
	style  map[string]int
	form   map[string]int    // number format → style
	lives  []live            // what became of the derived columns
	letter map[string]string // of a column on the sheet Points
	logX   []bool            // of each chart, in order
}

func (b *book) sheets() error {
	if err := b.SetSheetName("Sheet1", summarySheet); err != nil {
		return err
	}
	all := slices.Concat([]string{summarySheet, pointsSheet, chartsSheet}, b.batterySheets(), b.supplySheets(), []string{verdictsSheet, budgetSheet}, b.timeSheets(), []string{conditionsSheet, dataSheet})
	for _, name := range all[1:] {
		if _, err := b.NewSheet(name); err != nil {
			return err
		}
	}
	landscape, fit, tall := "landscape", 1, 0
	paper := 9 // A4, ECMA-376, part 1, 18.3.1.63
	for _, name := range all {
		if err := b.SetPageLayout(name, &excelize.PageLayoutOptions{Size: &paper, Orientation: &landscape, FitToWidth: &fit, FitToHeight: &tall}); err != nil {
			return err
		}
		margin, edge := 0.4, 0.5
		if err := b.SetPageMargins(name, &excelize.PageLayoutMarginsOptions{Left: &margin, Right: &margin, Top: &edge, Bottom: &edge}); err != nil {
			return err
		}
		yes := true
		if err := b.SetSheetProps(name, &excelize.SheetPropsOptions{FitToPage: &yes}); err != nil {
			return err
		}
	}
	for _, name := range []string{pointsSheet, verdictsSheet, budgetSheet} { // their first row stands on every printed page
		if err := b.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Titles", RefersTo: name + "!$1:$1", Scope: name}); err != nil {
			return err
		}
	}
	return nil
}

func (b *book) styles() error {
	b.style, b.form = map[string]int{}, map[string]int{}
	family, err := b.GetDefaultFont()
	if err != nil {
		return err
	}
	indent := &excelize.Alignment{Horizontal: "left", Indent: 1}
	line := []excelize.Border{{Type: "bottom", Color: "C8CED4", Style: 1}}
	fill := func(colour string) excelize.Fill {
		return excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{colour}}
	}
	for _, s := range []struct {
		name  string
		style excelize.Style
	}{
		{"title", excelize.Style{Font: &excelize.Font{Bold: true, Size: 16}}},
		{"heading", excelize.Style{Font: &excelize.Font{Bold: true, Size: 12}}},
		{"strong", excelize.Style{Font: &excelize.Font{Bold: true}}},
		{"soft", excelize.Style{Font: &excelize.Font{Color: "59636E"}}},
		{"head", excelize.Style{Font: &excelize.Font{Bold: true}, Fill: fill("EEF1F4"), Border: line, Alignment: &excelize.Alignment{Horizontal: "left", Vertical: "bottom", WrapText: true}}},
		{"number head", excelize.Style{Font: &excelize.Font{Bold: true}, Fill: fill("EEF1F4"), Border: line, Alignment: &excelize.Alignment{Horizontal: "right", Vertical: "bottom", WrapText: true}}},
		{"text", excelize.Style{Alignment: indent}},
		{"wrap", excelize.Style{Alignment: &excelize.Alignment{Horizontal: "left", Vertical: "top", WrapText: true}}},
		{"doubt", excelize.Style{Fill: fill("FBF0D9"), Alignment: indent}},
		{"pass", excelize.Style{Font: &excelize.Font{Bold: true, Color: "0B6B45"}, Fill: fill("E3F3EB"), Alignment: indent}},
		{"fail", excelize.Style{Font: &excelize.Font{Bold: true, Color: "AD1F1F"}, Fill: fill("FBE7E6"), Alignment: indent}},
		{"undecided", excelize.Style{Font: &excelize.Font{Bold: true, Color: "855500"}, Fill: fill("FBF0D9"), Alignment: indent}},
		{"not judged", excelize.Style{Font: &excelize.Font{Color: "59636E"}, Fill: fill("ECEFF1"), Alignment: indent}},
	} {
		if s.style.Font != nil {
			s.style.Font.Family = family
		}
		id, err := b.NewStyle(&s.style)
		if err != nil {
			return err
		}
		b.style[s.name] = id
	}
	return nil
}

// number gives the style of a number format, on the ground of a doubtful row where doubt is set.
func (b *book) number(format string, doubt bool) (int, error) {
	key := format
	if doubt {
		key += " doubt"
	}
	if id, ok := b.form[key]; ok {
		return id, nil
	}
	s := excelize.Style{CustomNumFmt: &format}
	if doubt {
		s.Fill = excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{"FBF0D9"}}
	}
	id, err := b.NewStyle(&s)
	b.form[key] = id
	return id, err
}

func (b *book) outcome(o record.Outcome) int {
	if id, ok := b.style[string(o)]; ok {
		return id
	}
	return b.style["not judged"]
}

// properties fixes everything that would tell when the workbook was made.
func (b *book) properties() error {
	rec := b.report.Record
	if err := b.SetDocProps(&excelize.DocProperties{
		Title: safe(b.report.Title), Creator: safe(rec.Tool), LastModifiedBy: safe(rec.Tool), Identifier: safe(rec.ID),
		Created: stamp(rec.Started), Modified: stamp(rec.Ended),
	}); err != nil {
		return err
	}
	if err := b.SetAppProps(&excelize.AppProperties{Application: "fourwire"}); err != nil {
		return err
	}
	yes := true
	return b.SetCalcProps(&excelize.CalcPropsOptions{FullCalcOnLoad: &yes})
}

func stamp(t time.Time) string {
	if t.IsZero() {
		t = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	return t.UTC().Format(time.RFC3339)
}

// maxText is the most characters that a cell holds.
const maxText = 32767

// safe makes a text harmless in a cell: no spreadsheet, and none that reads a CSV made from it, may take it for a formula,
// and it holds no character that XML cannot.
func safe(text string) string {
	text = strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' && r != '\t' || r == 0x7f || r == 0xfffe || r == 0xffff {
			return '?'
		}
		return r
	}, strings.ToValidUTF8(text, "?"))
	if text != "" && strings.ContainsRune("=+-@\t\n", rune(text[0])) {
		text = "'" + text
	}
	for utf8.RuneCountInString(text) > maxText {
		text = string([]rune(text)[:maxText])
	}
	return text
}
