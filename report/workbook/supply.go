package workbook

import (
	"fmt"
	"strconv"

	"github.com/xuri/excelize/v2"

	"fourwire/report"
)

// supplySheet is the sheet of a voltage over time that a source was taken through; further ones have a number behind.
const supplySheet = "Supply"

// mostSupplies is how many of them have a sheet.
const mostSupplies = 8

func (b *book) supplySheets() []string {
	var out []string
	for n := range min(len(b.report.Supplies), mostSupplies) {
		out = append(out, sheetOf(supplySheet, n))
	}
	return out
}

func (b *book) supplies() error {
	for n, name := range b.supplySheets() {
		if err := b.supply(&b.report.Supplies[n], name); err != nil {
			return err
		}
	}
	return nil
}

// supply writes what was asked for beside what the source makes of it, with a chart of both.
func (b *book) supply(x *report.Supply, name string) error {
	s := &sheet{book: b, name: name}
	s.widths(24, 14, 14, 14, 14)
	s.row("heading", x.Heading)
	for _, f := range x.Facts {
		s.row("", f.Name, f.Value)
	}
	s.gap()
	chartAt := s.next + 1
	s.next += chartRows + 1
	s.row("number head", "asked for [s]", "[V]", "played, by the model [s]", "[V]")
	first := s.next + 1
	for i := range max(len(x.Wanted), len(x.Expected)) {
		row := []any{nil, nil, nil, nil}
		if i < len(x.Wanted) {
			row[0], row[1] = x.Wanted[i][0], x.Wanted[i][1]
		}
		if i < len(x.Expected) {
			row[2], row[3] = x.Expected[i][0], x.Expected[i][1]
		}
		s.row("", row...)
	}
	if s.err == nil {
		s.err = b.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Area", RefersTo: fmt.Sprintf("'%s'!$A$1:$K$%d", name, first-2), Scope: name})
	}
	if s.err != nil || x.Curve.Missing != "" {
		return s.err
	}
	var series []excelize.ChartSeries
	for i, one := range []struct {
		x, y, head string
		n          int
	}{{"A", "B", "A", len(x.Wanted)}, {"C", "D", "C", len(x.Expected)}} {
		if one.n < 2 {
			continue
		}
		line := oneSeries(fmt.Sprintf("'%s'!$%s$%d", name, one.head, first-1), span(name, one.x, first, first+one.n-1), span(name, one.y, first, first+one.n-1), i)
		line.Marker.Symbol = "none"
		series = append(series, line)
	}
	return b.chart(name, "A"+strconv.Itoa(chartAt), x.Curve, series)
}
