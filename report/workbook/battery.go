package workbook

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/report"
	"fourwire/report/chart"
)

// The sheets of a long trace; a second trace has the same with a number behind.
const (
	traceSheet  = "Trace"
	statesSheet = "States"
	eventsSheet = "Events"
	ccdfSheet   = "CCDF"
	lifeSheet   = "Life"
)

// sheetOf names a sheet of the n-th trace, from 0.
func sheetOf(name string, n int) string {
	if n == 0 {
		return name
	}
	return fmt.Sprintf("%s %d", name, n+1)
}

// batterySheets are those that this record needs beside the others.
func (b *book) batterySheets() []string {
	var out []string
	for n, t := range b.report.Traces {
		if t.Brief {
			break // the first ones are not brief
		}
		switch {
		case len(t.Overview) == 0:
		case t.Capture != nil:
			out = append(out, sheetOf(captureSheet, n))
		default:
			out = append(out, sheetOf(traceSheet, n))
		}
		if t.Drain != nil {
			out = append(out, sheetOf(statesSheet, n), sheetOf(eventsSheet, n))
		}
		if len(t.DrainCurves()) > 0 {
			out = append(out, sheetOf(ccdfSheet, n))
		}
	}
	if len(b.report.Lives) > 0 {
		out = append(out, lifeSheet)
	}
	return out
}

func (b *book) battery() error {
	for n := range b.report.Traces {
		t := &b.report.Traces[n]
		if t.Brief {
			break
		}
		if len(t.Overview) > 0 && t.Capture != nil {
			if err := b.capture(t, sheetOf(captureSheet, n)); err != nil {
				return err
			}
			continue
		}
		if len(t.Overview) > 0 {
			if err := b.trace(t, sheetOf(traceSheet, n)); err != nil {
				return err
			}
		}
		if t.Drain != nil {
			if err := b.states(t, sheetOf(statesSheet, n)); err != nil {
				return err
			}
			if err := b.events(t, sheetOf(eventsSheet, n), n); err != nil {
				return err
			}
		}
		for _, c := range t.DrainCurves() {
			if err := b.ccdf(c, sheetOf(ccdfSheet, n)); err != nil {
				return err
			}
		}
	}
	if len(b.report.Lives) > 0 {
		return b.lifeSheet()
	}
	return nil
}

// firstRow is where the table of a sheet with text above it begins; traceRow the same below a chart.
const (
	firstRow = 4
	traceRow = 32
)

// trace writes the decimated trace with its chart.
func (b *book) trace(t *report.Trace, name string) error {
	s := &sheet{book: b, name: name}
	s.widths(13, 13, 13, 13, 13, 13, 13, 13, 13, 13)
	s.row("heading", t.Title()+", trace "+t.Name)
	s.row("soft", t.Trust.Headline)
	s.row("soft", fmt.Sprintf("%s, in %d stretches: least, mean and greatest sample of each. Single samples: fourwire zoom.", t.Taken(), len(t.Overview[0])))
	head := []any{"from [s]", "to [s]", "samples"}
	for _, x := range t.Head.Signals {
		head = append(head, "least "+x.Name+" ["+x.Unit+"]", "mean "+x.Name+" ["+x.Unit+"]", "most "+x.Name+" ["+x.Unit+"]")
	}
	k := t.Current()
	amps := t.Head.Signals[k].Unit == "A"
	if amps {
		head = append(head, "charge [C]")
	}
	s.next = traceRow - 1
	s.heads(head...)
	mean, _ := excelize.ColumnNumberToName(5 + 3*k)
	charge, _ := excelize.ColumnNumberToName(4 + 3*len(t.Head.Signals))
	dt := t.Head.IntervalSeconds
	for i, bin := range t.Overview[0] {
		row := []any{float64(bin.From) * dt, float64(bin.To) * dt, bin.Count}
		for j := range t.Head.Signals {
			x := t.Overview[j][i]
			row = append(row, x.Min, x.Mean, x.Max)
		}
		s.row("", row...)
		if amps && bin.Count > 0 {
			s.formula(charge+strconv.Itoa(s.next), fmt.Sprintf("%s%d*C%d*%s", mean, s.next, s.next, exact(dt)), t.Overview[k][i].Integral, "0.0000E+00")
		}
	}
	last := s.next
	if amps {
		s.row("strong", "total", nil, nil)
		s.formula(charge+strconv.Itoa(s.next), fmt.Sprintf("SUM(%s%d:%s%d)", charge, traceRow+1, charge, last), total(t.Overview[k]), "0.000000E+00")
	}
	if s.err == nil { // the table would fill many printed pages
		s.err = b.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Area", RefersTo: fmt.Sprintf("'%s'!$A$1:$J$%d", name, traceRow-2), Scope: name})
	}
	if s.err != nil {
		return s.err
	}
	c := report.Curve{Title: t.Title(), LogY: amps, X: record.Column{Name: "time since the start", Unit: "s", Dim: quantity.Time}, Y: record.Column{Name: t.Head.Signals[k].Name, Unit: t.Head.Signals[k].Unit, Dim: record.DimensionOf(t.Head.Signals[k].Unit)}}
	var series []excelize.ChartSeries
	for i, x := range []struct {
		name, colour string
		column       int // of the first signal
		width        float64
	}{{"most", "9AA5B1", 6, 0.5}, {"least", "9AA5B1", 4, 0.5}, {"mean", strings.TrimPrefix(chart.StyleOf(0).Light, "#"), 5, 1.25}} { // the mean over the others
		line := report.Line{Name: x.name}
		for _, bin := range t.Overview[k] {
			y := map[string]float64{"most": bin.Max, "mean": bin.Mean, "least": bin.Min}[x.name]
			if bin.Count > 0 && (!amps || y > 0) {
				line.Dots = append(line.Dots, report.Dot{X: float64(bin.From) * dt, Y: y, UX: math.NaN(), UY: math.NaN(), Status: record.StatusOK})
			}
		}
		c.Lines = append(c.Lines, line)
		column, _ := excelize.ColumnNumberToName(x.column + 3*k)
		one := oneSeries(fmt.Sprintf("'%s'!$%s$%d", name, column, traceRow), span(name, "A", traceRow+1, last), span(name, column, traceRow+1, last), i)
		one.Marker.Symbol = "none"
		one.Fill.Color = []string{x.colour}
		one.Line = excelize.LineOptions{Type: excelize.LineSolid, Width: x.width, Fill: one.Fill, Dash: excelize.LineDashSolid}
		series = append(series, one)
	}
	return b.chart(name, "A"+strconv.Itoa(firstRow), c, series)
}

func total(bins []trace.Bin) float64 {
	sum := 0.0
	for _, b := range bins {
		sum += b.Integral
	}
	return sum
}

// heads writes the heads of a table: the first over texts, the others over numbers.
func (s *sheet) heads(values ...any) {
	s.row("number head", values...)
	if cell := "A" + strconv.Itoa(s.next); s.err == nil && values[0] != "from [s]" {
		s.err = s.SetCellStyle(s.name, cell, cell, s.style["head"])
	}
}

// span is a reference to a column of a sheet.
func span(sheet, column string, first, last int) string {
	return fmt.Sprintf("'%s'!$%s$%d:$%s$%d", sheet, column, first, column, max(first, last))
}

func (b *book) chart(sheet, cell string, c report.Curve, series []excelize.ChartSeries) error {
	if err := b.AddChart(sheet, cell, scatter(c, series)); err != nil {
		return err
	}
	b.logX = append(b.logX, c.LogX)
	return nil
}

// formula writes a cell that is worked out, with its value kept beside for readers that do not calculate.
func (s *sheet) formula(cell, formula string, x float64, format string) {
	if s.err != nil {
		return
	}
	id, err := s.number(format, false)
	if err == nil && orNil(x) != nil {
		err = s.SetCellValue(s.name, cell, x)
	}
	if err == nil {
		err = s.SetCellFormula(s.name, cell, formula)
	}
	if err == nil {
		err = s.SetCellStyle(s.name, cell, cell, id)
	}
	s.err = err
}

// states writes where the charge went: means and shares are formulas.
func (b *book) states(t *report.Trace, name string) error {
	d := t.Drain
	s := &sheet{book: b, name: name}
	s.widths(22, 14, 14, 12, 13, 13, 13, 13, 10)
	s.row("heading", "Charge by state, trace "+t.Name)
	s.row("soft", t.Thresholds())
	s.gap()
	s.heads("state", "time [s]", "charge [C]", "U (k = 2)", "mean [A]", "peak [A]", "of charge", "of time", "visits")
	first, last := s.next+1, s.next+len(d.States)
	sum, seconds := 0.0, 0.0
	for _, x := range d.States {
		sum += x.Coulombs
		seconds += x.Seconds
	}
	for _, x := range d.States {
		s.row("", x.Name, x.Seconds, measuredCell(x.Coulombs, x.U), uncertaintyCell(x.U), nil, shown{x.PeakAmps, "0.000E+00"}, nil, nil, x.Visits)
		r := strconv.Itoa(s.next)
		if x.Seconds > 0 {
			s.formula("E"+r, "C"+r+"/B"+r, x.Coulombs/x.Seconds, "0.000E+00")
		}
		s.formula("G"+r, fmt.Sprintf("C%s/SUM(C$%d:C$%d)", r, first, last), x.Coulombs/sum, "0.0 %")
		s.formula("H"+r, fmt.Sprintf("B%s/SUM(B$%d:B$%d)", r, first, last), x.Seconds/seconds, "0.00 %")
	}
	s.row("strong", "together")
	r := strconv.Itoa(s.next)
	s.formula("B"+r, fmt.Sprintf("SUM(B%d:B%d)", first, last), seconds, "General")
	s.formula("C"+r, fmt.Sprintf("SUM(C%d:C%d)", first, last), sum, numberFormat(sum, d.Charge.U))
	s.formula("E"+r, "C"+r+"/B"+r, sum/seconds, "0.000E+00")
	b.statesChart(s, name, first, last)
	for range 20 {
		s.gap()
	}
	if len(d.Kinds) > 0 {
		s.row("heading", "Kinds of events")
		s.heads("kind", "count", "period [s]", "spread [s]", "lasts [s]", "charge [C]", "spread [C]", "peak [A]")
		for _, k := range d.Kinds {
			s.row("", k.Name, k.Count, k.PeriodSeconds, k.PeriodSpread, k.MeanSeconds, shown{k.MeanCoulombs, "0.0000E+00"}, shown{k.SpreadCoulombs, "0.0E+00"}, shown{k.PeakAmps, "0.000E+00"})
		}
		s.gap()
	}
	if x := d.Against; x != nil {
		s.row("heading", "Where the charge went: A is this recording, B is "+report.OtherName(x))
		s.heads("what", "A", "B", "unit", "A - B", "U (k = 2)", "of B", "A is")
		for _, l := range x.Lines {
			s.row("", l.What, shown{l.A, "0.0000E+00"}, shown{l.B, "0.0000E+00"}, l.Unit, nil, uncertaintyCell(l.U), nil, l.Judgement)
			r := strconv.Itoa(s.next)
			s.formula("E"+r, "B"+r+"-C"+r, l.Difference, "0.000E+00")
			if l.B != 0 {
				s.formula("G"+r, "E"+r+"/C"+r, l.Difference/l.B, "0.0 %")
			}
		}
		s.gap()
	}
	if len(d.Ranges) > 0 {
		s.row("heading", "Measuring ranges")
		s.heads("full scale [A]", "time [s]", "charge [C]")
		for _, x := range d.Ranges {
			s.row("", x.FullAmps, x.Seconds, x.Coulombs)
		}
	}
	for _, note := range d.Notes {
		s.row("soft", note)
	}
	return s.err
}

func (b *book) statesChart(s *sheet, name string, first, last int) {
	if s.err != nil || last < first {
		return
	}
	fill := excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{chart.StyleOf(0).Light[1:]}}
	cell := "A" + strconv.Itoa(s.next+2)
	reverse := excelize.ChartAxis{ReverseOrder: true, Font: excelize.Font{Color: "1C2127", Size: 10}}
	values := excelize.ChartAxis{MajorGridLines: true, Font: excelize.Font{Color: "1C2127", Size: 10}}
	values.NumFmt.CustomNumFmt = "0 %"
	zero := 0.0
	values.Minimum = &zero
	s.err = b.AddChart(name, cell, &excelize.Chart{Type: excelize.Bar, Series: []excelize.ChartSeries{{Name: fmt.Sprintf("'%s'!$G$%d", name, first-1), Categories: span(name, "A", first, last), Values: span(name, "G", first, last), Fill: fill}},
		Legend: excelize.ChartLegend{Position: "none"}, Dimension: excelize.ChartDimension{Width: 640, Height: 320},
		Title: excelize.ChartTitle{Paragraph: []excelize.RichTextRun{{Text: "Charge by state", Font: &excelize.Font{Bold: true, Size: 14}}}}, XAxis: reverse, YAxis: values})
	b.logX = append(b.logX, false)
}

// ccdf writes the distribution with its chart on logarithmic axes.
func (b *book) ccdf(c report.Curve, name string) error {
	s := &sheet{book: b, name: name}
	s.widths(14, 16, 14, 16)
	s.row("heading", c.Title)
	s.gap()
	s.gap()
	var head []any
	longest := 0
	for _, l := range c.Lines {
		title := l.Name
		if title == "" {
			title = "fraction of the time above"
		}
		head = append(head, "current [A]", title)
		longest = max(longest, len(l.Dots))
	}
	s.heads(head...)
	for i := range longest {
		var row []any
		for _, l := range c.Lines {
			if i < len(l.Dots) {
				row = append(row, shown{l.Dots[i].X, "0.000E+00"}, shown{l.Dots[i].Y, "0.0000 %"})
			} else {
				row = append(row, nil, nil)
			}
		}
		s.row("", row...)
	}
	if s.err != nil {
		return s.err
	}
	var series []excelize.ChartSeries
	for i, l := range c.Lines {
		x, _ := excelize.ColumnNumberToName(2*i + 1)
		y, _ := excelize.ColumnNumberToName(2*i + 2)
		one := oneSeries(fmt.Sprintf("'%s'!$%s$%d", name, y, firstRow), span(name, x, firstRow+1, firstRow+len(l.Dots)), span(name, y, firstRow+1, firstRow+len(l.Dots)), i)
		one.Marker.Symbol = "none"
		series = append(series, one)
	}
	return b.chart(name, "F"+strconv.Itoa(firstRow), c, series)
}

// lifeSheet writes how long batteries last, as intervals with what they rest on.
func (b *book) lifeSheet() error {
	s := &sheet{book: b, name: lifeSheet}
	s.widths(34, 14, 14, 14, 14, 14, 14, 40, wrappedWidth)
	s.heads("battery and current", "life [h]", "at least [h]", "at most [h]", "mean [A]", "peak [A]", "usable [C]", "ends by", "mostly depends on")
	for _, l := range b.report.Lives {
		s.row("", l.Title, shown{l.Hours, "0"}, shown{l.Low, "0"}, shown{l.High, "0"}, shown{l.MeanAmps, "0.000E+00"}, shown{l.PeakAmps, "0.000E+00"}, shown{l.UsableCoulomb, "0"}, l.EndedBy, wrapped(l.Dominant))
		r := strconv.Itoa(s.next)
		s.row("", "in years of 8766 h")
		for _, c := range []struct {
			column string
			x      float64
		}{{"B", l.Hours}, {"C", l.Low}, {"D", l.High}} {
			s.formula(c.column+strconv.Itoa(s.next), c.column+r+"/8766", c.x/8766, "0.00")
		}
		s.row("", "usable charge over mean current")
		if l.MeanAmps > 0 {
			s.formula("B"+strconv.Itoa(s.next), "G"+r+"/E"+r+"/3600", l.UsableCoulomb/l.MeanAmps/3600, "0")
		}
		s.gap()
		s.heads("assumption", "", "at least [h]", "at most [h]", "share")
		for _, p := range l.Parts {
			s.row("", p.Name, nil, shown{p.Low, "0"}, shown{p.High, "0"}, probabilityCell(p.Share))
		}
		for _, note := range l.Notes {
			s.row("soft", note)
		}
		s.gap()
	}
	return s.err
}
