package workbook

import (
	"fmt"
	"math"
	"strconv"

	"github.com/xuri/excelize/v2"

	"fourwire/report"
)

// budget lists what the uncertainties that matter most consist of: one row per contributor, and one that puts them together again.
func (b *book) budget() error {
	s := &sheet{book: b, name: budgetSheet}
	s.widths(18, 8, 30, 14, 14, 8, 28, 26, 14, 9, 14, 40)
	if len(b.report.Worst) == 0 {
		s.row("", "The record holds no budgets.")
		return s.err
	}
	s.row("head", "value", "point", "where", "value", "U (k = 2)", "unit", "from", "what", "kind", "share", "standard u", "why this value")
	for _, w := range b.report.Worst {
		first := s.next + 1
		var point any = "all"
		if w.Point > 0 {
			point = w.Point
		}
		line := func(from, what, kind string, share float64) {
			s.row("", w.Name, point, w.Where, measuredCell(w.SI, w.U), uncertaintyCell(w.U), w.Unit, from, what, kind, probabilityCell(share), nil, w.Why)
		}
		for _, p := range w.Budget.Parts() {
			line(p.From, p.What, p.Kind, p.Share)
		}
		if n := w.Budget.Rest.Inputs; n > 0 {
			line(strconv.Itoa(n)+" more", "", "", w.Budget.Rest.Share)
		}
		last := s.next
		total := last + 1
		s.row("", w.Name, point, w.Where, measuredCell(w.SI, w.U), uncertaintyCell(w.U), w.Unit, "together", nil, nil, nil, nil, w.Why)
		s.together(w, first, last, total)
		s.gap()
	}
	if s.err == nil {
		s.err = b.SetPanes(budgetSheet, &excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"})
	}
	return s.err
}

// together writes the formulas of one budget: each contributor's standard uncertainty is the root of its share times the combined one, and
// the squares of all add up to that (JCGM 100:2008, 5.1.2).
func (s *sheet) together(w report.Worst, first, last, total int) {
	set := func(cell, formula string, x float64, format string) {
		if s.err != nil {
			return
		}
		id, err := s.number(format, false)
		if err == nil {
			err = s.SetCellValue(s.name, cell, x) // kept beside the formula, for readers that do not calculate
		}
		if err == nil {
			err = s.SetCellFormula(s.name, cell, formula)
		}
		if err == nil {
			err = s.SetCellStyle(s.name, cell, cell, id)
		}
		s.err = err
	}
	parts := w.Budget.Parts()
	sum := 0.0
	for row := first; row <= last; row++ {
		share := w.Budget.Rest.Share
		if i := row - first; i < len(parts) {
			share = parts[i].Share
		}
		sum += share
		u := math.Sqrt(share) * w.Budget.Std
		set("K"+strconv.Itoa(row), fmt.Sprintf("SQRT(J%d)*%s", row, exact(w.Budget.Std)), u, numberFormat(u, u))
	}
	std := math.Sqrt(sum) * w.Budget.Std
	set("J"+strconv.Itoa(total), fmt.Sprintf("SUM(J%d:J%d)", first, last), sum, "0.0 %")
	set("K"+strconv.Itoa(total), fmt.Sprintf("SQRT(SUMSQ(K%d:K%d))", first, last), std, numberFormat(std, std))
}

func exact(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
