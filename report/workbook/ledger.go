package workbook

import (
	"fmt"
	"strconv"

	"github.com/xuri/excelize/v2"

	"fourwire/report/chart"
)

// timeSheet says where the time of a run went.
const timeSheet = "Time"

// timeSheets is the sheet of the time, where the record has an account of it.
func (b *book) timeSheets() []string {
	if b.report.Time == nil || len(b.report.Time.Kinds) == 0 {
		return nil
	}
	return []string{timeSheet}
}

// time writes the account: shares, sums and what a run would take are formulas.
func (b *book) time() error {
	if len(b.timeSheets()) == 0 {
		return nil
	}
	t := b.report.Time
	s := &sheet{book: b, name: timeSheet}
	s.widths(22, 12, 11, 13, 11, 62, 14)
	s.row("heading", "Where the time went")
	s.row("soft", t.Headline())
	s.gap()
	s.heads("kind", "time [s]", "share", "predicted [s]", "count", "what goes into it")
	s.left("F")
	first := s.next + 1
	last := s.next + len(t.Kinds)
	for _, k := range t.Kinds {
		s.row("", string(k.Kind), shown{k.Seconds, "0.000"}, nil, shown{k.Predicted, "0.000"}, k.Count, k.About())
		r := strconv.Itoa(s.next)
		s.formula("C"+r, fmt.Sprintf("B%s/SUM(B$%d:B$%d)", r, first, last), k.Share, "0.0 %")
	}
	s.row("strong", "together")
	total := strconv.Itoa(s.next)
	s.formula("B"+total, fmt.Sprintf("SUM(B%d:B%d)", first, last), t.WallSeconds, "0.000")
	if p := t.PredictedSeconds(); p == p {
		s.formula("D"+total, fmt.Sprintf("SUM(D%d:D%d)", first, last), p, "0.000")
	}
	for _, note := range t.Notes {
		s.row("soft", note)
	}
	b.timeChart(s, first, last)
	for range 19 {
		s.gap()
	}
	s.row("heading", "What would shorten it most")
	s.heads("kind", "time [s]", "count", "without [s]", "line", "what that means")
	s.left("E", "F")
	for _, x := range t.Savings {
		s.row("", string(x.Kind), shown{x.Seconds, "0.000"}, x.Count, nil, x.Place, x.Text)
		r := strconv.Itoa(s.next)
		s.formula("D"+r, "B$"+total+"-B"+r, x.Without, "0.000")
	}
	s.gap()
	s.row("heading", "By step")
	s.heads("step", "time [s]", "share", "", "", "what it does")
	s.left("F")
	for _, x := range t.Steps {
		place := x.Place
		if place == "" {
			place = "around the steps"
		}
		s.row("", place, shown{x.Seconds, "0.000"}, nil, nil, nil, x.Text)
		r := strconv.Itoa(s.next)
		s.formula("C"+r, "B"+r+"/B$"+total, x.Share, "0.0 %")
	}
	s.gap()
	if len(t.Instruments) > 0 {
		s.row("heading", "How fast the instruments answered")
		s.row("head", "instrument", "wire", "processing", "output up", "down")
		for _, x := range t.Instruments {
			s.row("", x.Name, x.Wire, x.Processing, x.Up, x.Down)
		}
	}
	return s.err
}

// left puts heads of the last row over texts.
func (s *sheet) left(columns ...string) {
	for _, column := range columns {
		if cell := column + strconv.Itoa(s.next); s.err == nil {
			s.err = s.SetCellStyle(s.name, cell, cell, s.style["head"])
		}
	}
}

func (b *book) timeChart(s *sheet, first, last int) {
	if s.err != nil || last < first {
		return
	}
	zero := 0.0
	font := excelize.Font{Color: "1C2127", Size: 10}
	values := excelize.ChartAxis{MajorGridLines: true, Font: font, Minimum: &zero}
	values.NumFmt.CustomNumFmt = "0 %"
	fill := excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{chart.StyleOf(0).Light[1:]}}
	s.err = b.AddChart(timeSheet, "A"+strconv.Itoa(s.next+2), &excelize.Chart{Type: excelize.Bar,
		Series: []excelize.ChartSeries{{Name: fmt.Sprintf("'%s'!$C$%d", timeSheet, first-1), Categories: span(timeSheet, "A", first, last), Values: span(timeSheet, "C", first, last), Fill: fill}},
		Legend: excelize.ChartLegend{Position: "none"}, Dimension: excelize.ChartDimension{Width: 640, Height: 320},
		Title: excelize.ChartTitle{Paragraph: []excelize.RichTextRun{{Text: "Time by kind", Font: &excelize.Font{Bold: true, Size: 14}}}},
		XAxis: excelize.ChartAxis{ReverseOrder: true, Font: font}, YAxis: values})
	if s.err == nil {
		b.logX = append(b.logX, false)
	}
}
