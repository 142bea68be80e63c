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

// curves puts the charts on a sheet of their own (a chart on a streamed sheet makes the library read the whole sheet again),
// and their lines as references to the points on another, since the points of one line may be scattered.
func (b *book) curves() error {
	data := [][]any{{}, {}} // row by row; two columns per line
	column := 1
	place := 1
	row := func(n int) {
		for len(data) <= n {
			data = append(data, nil)
		}
	}
	set := func(r, c int, cell any) {
		row(r)
		for len(data[r]) < c {
			data[r] = append(data[r], nil)
		}
		data[r][c-1] = cell
	}
	rowOf := map[int]int{}
	for i, p := range b.report.Record.Rows {
		rowOf[p.Number] = i + 2
	}
	for _, c := range b.report.Curves {
		if c.Missing != "" {
			continue
		}
		var series []excelize.ChartSeries
		for i, line := range c.Lines {
			xName, err := excelize.ColumnNumberToName(column)
			if err != nil {
				return err
			}
			yName, err := excelize.ColumnNumberToName(column + 1)
			if err != nil {
				return err
			}
			name := line.Name
			if name == "" {
				name = c.Y.Name
			}
			set(0, column, excelize.Cell{StyleID: b.style["soft"], Value: safe(c.Title)})
			set(1, column, excelize.Cell{StyleID: b.style["head"], Value: safe(c.X.Name + " [" + c.X.Unit + "]")})
			set(1, column+1, excelize.Cell{StyleID: b.style["head"], Value: safe(name)})
			last := 2
			for _, d := range line.Dots {
				last++
				if !d.Joined() || math.IsNaN(d.X) || math.IsNaN(d.Y) {
					continue // an empty row: the line has a gap there
				}
				set(last-1, column, excelize.Cell{Formula: pointsSheet + "!" + b.letter[c.X.Name] + strconv.Itoa(rowOf[d.Number]), Value: d.X})
				set(last-1, column+1, excelize.Cell{Formula: pointsSheet + "!" + b.letter[c.Y.Name] + strconv.Itoa(rowOf[d.Number]), Value: d.Y})
			}
			span := func(col string) string { return fmt.Sprintf("'%s'!$%s$3:$%s$%d", dataSheet, col, col, max(3, last)) }
			series = append(series, oneSeries(fmt.Sprintf("'%s'!$%s$2", dataSheet, yName), span(xName), span(yName), i))
			column += 2
		}
		if err := b.AddChart(chartsSheet, "A"+strconv.Itoa(place), scatter(c, series)); err != nil {
			return err
		}
		b.logX = append(b.logX, c.LogX)
		place += 26
		if err := b.InsertPageBreak(chartsSheet, "A"+strconv.Itoa(place)); err != nil {
			return err
		}
		column++
	}
	if place == 1 {
		return b.SetCellStr(chartsSheet, "A1", "The sequence asks for no curve, or no point has a value for one.")
	}
	w, err := b.NewStreamWriter(dataSheet)
	if err != nil {
		return err
	}
	if err := w.SetColWidth(1, column, 14); err != nil {
		return err
	}
	for i, cells := range data {
		if len(cells) == 0 {
			continue
		}
		if err := w.SetRow("A"+strconv.Itoa(i+1), cells); err != nil {
			return err
		}
	}
	return w.Flush()
}

var dashes = map[string]excelize.LineDashType{
	"": excelize.LineDashSolid, "8 4": excelize.LineDashDash, "2 3": excelize.LineDashSysDot, "10 3 2 3": excelize.LineDashSashDot,
	"5 3": excelize.LineDashSysDash, "14 4": excelize.LineDashLgDash,
}

var symbols = map[string]string{"circle": "circle", "square": "square", "triangle": "triangle", "diamond": "diamond", "cross": "x", "star": "star"}

func oneSeries(name, x, y string, number int) excelize.ChartSeries {
	s := chart.StyleOf(number)
	fill := excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{strings.TrimPrefix(s.Light, "#")}}
	return excelize.ChartSeries{Name: name, Categories: x, Values: y, Fill: fill,
		Line:   excelize.LineOptions{Type: excelize.LineSolid, Width: 1.75, Dash: dashes[s.Dash]},
		Marker: excelize.ChartMarker{Symbol: symbols[s.Mark], Size: 6, Fill: fill, Border: excelize.LineOptions{Type: excelize.LineSolid, Fill: fill, Width: 1}}}
}

func scatter(c report.Curve, series []excelize.ChartSeries) *excelize.Chart {
	l := chart.New(c, chart.Wide)
	legend := excelize.ChartLegend{Position: "top"}
	if len(series) < 2 {
		legend.Position = "none"
	}
	return &excelize.Chart{Type: excelize.Scatter, Series: series, Legend: legend, ShowBlanksAs: "gap",
		Dimension: excelize.ChartDimension{Width: 900, Height: 480},
		Title:     excelize.ChartTitle{Paragraph: []excelize.RichTextRun{{Text: safe(c.Title), Font: &excelize.Font{Bold: true, Size: 14}}}},
		XAxis:     axis(c.X, l.X), YAxis: axis(c.Y, l.Y)}
}

// axis takes over the ends of our own picture; the numbers are those of the cells, in SI units.
func axis(c record.Column, a chart.Axis) excelize.ChartAxis {
	low, high := tidy(a.Low), tidy(a.High)
	out := excelize.ChartAxis{MajorGridLines: true, Minimum: &low, Maximum: &high,
		Font:  excelize.Font{Color: "1C2127", Size: 10},
		Title: excelize.ChartTitle{Paragraph: []excelize.RichTextRun{{Text: safe(c.Name + " [" + c.Unit + "]"), Font: &excelize.Font{Size: 11}}}}}
	out.NumFmt.CustomNumFmt = "General"
	if c.Dim == quantity.Ratio {
		out.NumFmt.CustomNumFmt = "0 %"
		out.Title.Paragraph[0].Text = safe(c.Name)
		if len(a.Ticks) > 1 {
			out.NumFmt.CustomNumFmt = percent(tidy(a.Ticks[1].At - a.Ticks[0].At))
		}
	}
	if !a.Log {
		if len(a.Ticks) > 1 {
			out.MajorUnit = tidy(a.Ticks[1].At - a.Ticks[0].At)
		}
		return out
	}
	out.LogBase, out.MinorGridLines = 10, true
	room := math.Pow(a.High/a.Low, 0.03/1.06) // that our picture leaves beyond the data
	low, high = tidy(round125(a.Low*room, false)), tidy(round125(a.High/room, true))
	if high/low > 1e3 { // over many decades, whole ones
		low, high = math.Pow10(int(math.Floor(math.Log10(low*(1+1e-9))))), math.Pow10(int(math.Ceil(math.Log10(high*(1-1e-9)))))
		out.NumFmt.CustomNumFmt = "0E+00"
		if c.Dim == quantity.Ratio && low >= 1e-6 {
			out.NumFmt.CustomNumFmt = "0.#### %"
		}
	}
	return out
}

// percent is the number format for ticks that are step apart.
func percent(step float64) string {
	places := ""
	for x := 100 * step; places != "0000" && math.Abs(x-math.Round(x)) > 1e-6; x *= 10 {
		places += "0"
	}
	if places != "" {
		places = "." + places
	}
	return "0" + places + " %"
}

// tidy drops the digits that come from binary arithmetic: 0.05, not 0.050000000000000044.
func tidy(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 12, 64), 64)
	if err != nil {
		return x
	}
	return y
}

// round125 goes to the next 1, 2 or 5 times a power of ten: a spreadsheet marks a logarithmic axis from its low end.
func round125(x float64, up bool) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(x)))
	steps := []float64{1, 2, 5, 10}
	if up {
		for _, m := range steps {
			if m*ten >= x*(1-1e-9) {
				return m * ten
			}
		}
	}
	for i := len(steps) - 1; i >= 0; i-- {
		if steps[i]*ten <= x*(1+1e-9) {
			return steps[i] * ten
		}
	}
	return x
}
