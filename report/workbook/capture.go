package workbook

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/report"
	"fourwire/report/chart"
)

// captureSheet is the sheet of a capture; further ones have a number behind.
const captureSheet = "Capture"

// mostCharts is how many signals of a capture are drawn.
const mostCharts = 4

// chartRows is the height of a chart, 480 points of a screen, in rows of a sheet: some programs make them no higher than 17.
const chartRows = 29

// capture writes a capture: its figures, how it was taken, a chart of each signal, and the samples.
func (b *book) capture(t *report.Trace, name string) error {
	s := &sheet{book: b, name: name}
	s.widths(26, 20, 14, 14, 14, 28, 30)
	title := "Capture " + t.Name
	if t.Capture.Where != "" {
		title += ", " + t.Capture.Where
	}
	s.row("heading", title)
	for _, f := range t.CaptureFacts() {
		s.row("soft", f.Name+": "+f.Value)
	}
	s.gap()
	s.row("head", "figure", "name", "value", "U (k = 2)", "unit", "U mostly from", "why there is none")
	for _, f := range t.Capture.Figures {
		for _, x := range f.List {
			if x.Name == "" && x.Missing != "" {
				continue
			}
			s.row("", f.Kind+" of "+f.Of+": "+strings.ReplaceAll(x.What, "_", " "), x.Name, measuredCell(x.Value, x.U), uncertaintyCell(x.U), x.Unit, x.Biggest, x.Missing)
		}
	}
	s.gap()
	s.row("head", "signal", "node", "sampled by", "bandwidth", "range", "step of the converter", "leads")
	for _, x := range t.SignalRows() {
		s.row("", x.Name, x.Node, x.From, x.Bandwidth, x.Range, x.Step, x.Leads)
	}
	s.gap()
	chartsAt := s.next + 1
	charts := min(len(t.Head.Signals), mostCharts)
	s.next += charts*chartRows + 1
	head := []any{"from the event [s]"}
	for _, x := range t.Head.Signals {
		head = append(head, x.Name+" ["+x.Unit+"]", "least "+x.Name+" ["+x.Unit+"]", "most "+x.Name+" ["+x.Unit+"]")
	}
	s.row("number head", head...)
	first := s.next + 1
	for i, bin := range t.Overview[0] {
		row := []any{(t.CaptureSeconds(bin.From) + t.CaptureSeconds(bin.To-1)) / 2}
		for k := range t.Head.Signals {
			x := t.Overview[k][i]
			row = append(row, sampleCell(x.Mean), sampleCell(x.Min), sampleCell(x.Max))
		}
		s.row("", row...)
	}
	last := s.next
	if s.err == nil { // the samples would fill many printed pages
		s.err = b.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Area", RefersTo: fmt.Sprintf("'%s'!$A$1:$J$%d", name, first-2), Scope: name})
	}
	if s.err != nil {
		return s.err
	}
	for k := range charts {
		if err := b.captureChart(t, name, k, "A"+strconv.Itoa(chartsAt+k*chartRows), first, last); err != nil {
			return err
		}
	}
	return nil
}

// sampleCell is a sample without the digits that its 32-bit number does not have.
func sampleCell(x float64) any {
	if math.IsNaN(x) {
		return nil
	}
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 7, 64), 64)
	if err != nil {
		return orNil(x)
	}
	return y
}

func (b *book) captureChart(t *report.Trace, name string, k int, cell string, first, last int) error {
	x := t.Head.Signals[k]
	line := report.Line{Name: x.Name}
	for _, bin := range t.Overview[k] {
		if bin.Count > 0 {
			line.Dots = append(line.Dots, report.Dot{X: t.CaptureSeconds(bin.From), Y: bin.Mean, UX: math.NaN(), UY: math.NaN(), Status: record.StatusOK})
		}
	}
	dim := record.DimensionOf(x.Unit)
	c := report.Curve{Title: fmt.Sprintf("%s, %s", x.Name, x.Node), X: record.Column{Name: "time from the event", Unit: "s", Dim: quantity.Time},
		Y: record.Column{Name: x.Name, Unit: x.Unit, Dim: dim}, Lines: []report.Line{line}}
	column, _ := excelize.ColumnNumberToName(2 + 3*k)
	one := oneSeries(fmt.Sprintf("'%s'!$%s$%d", name, column, first-1), span(name, "A", first, last), span(name, column, first, last), k)
	one.Marker.Symbol = "none"
	one.Fill.Color = []string{strings.TrimPrefix(chart.StyleOf(k).Light, "#")}
	one.Line = excelize.LineOptions{Type: excelize.LineSolid, Width: 1.25, Fill: one.Fill, Dash: excelize.LineDashSolid}
	return b.chart(name, cell, c, []excelize.ChartSeries{one})
}
