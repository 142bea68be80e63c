package workbook

import (
	"github.com/xuri/excelize/v2"

	"fourwire/report"
)

// Formula is an expression of a sequence as a spreadsheet works it out.
type Formula struct{ f *formula }

// ParseFormula translates an expression; isColumn knows the names that are columns. An error says what a spreadsheet cannot do.
func ParseFormula(text string, isColumn func(string) bool) (Formula, error) {
	f, err := parseFormula(text, isColumn)
	return Formula{f}, err
}

// Text writes the formula, without the equals sign, with cell as the way to name a column's cell.
func (f Formula) Text(cell func(column string) string) string { return f.f.text(cell) }

// Gives tells whether a spreadsheet gets the value that the run got, from the values of the columns.
func (f Formula) Gives(want float64, value func(column string) float64) bool {
	return near(f.f.eval(value), want)
}

// Scatter is a curve as a native chart of some series; see [Series].
func Scatter(c report.Curve, series []excelize.ChartSeries) *excelize.Chart {
	return scatter(c, series)
}

// Series is the n-th line of a chart, from 0: references to its name, its x and its y.
func Series(name, x, y string, n int) excelize.ChartSeries { return oneSeries(name, x, y, n) }

// CorrectChart mends a part xl/charts/chartN.xml that the library wrote for a [Scatter].
func CorrectChart(part []byte, logX bool) []byte { return correctChart(part, logX) }

// NumberFormat shows a value as far as its uncertainty lets it be known.
func NumberFormat(x, u float64) string { return numberFormat(x, u) }

// Safe makes a text harmless in a cell, and in a CSV file made from it.
func Safe(text string) string { return safe(text) }

// FitToPage restores what the library loses of a tab that is streamed: that its page layout is to be kept to.
func FitToPage(sheet []byte) []byte { return fitToPage(sheet) }
