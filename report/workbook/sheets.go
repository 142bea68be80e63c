package workbook

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"fourwire/record"
	"fourwire/report"
)

// sheet writes rows one below the other.
type sheet struct {
	*book
	name string
	next int // row
	err  error
}

// row writes cells: texts are made harmless, numbers stay numbers, NaN is left empty.
func (s *sheet) row(style string, values ...any) {
	s.next++
	for i, v := range values {
		if s.err != nil {
			return
		}
		cell, err := excelize.CoordinatesToCellName(i+1, s.next)
		if err != nil {
			s.err = err
			return
		}
		id := 0
		if style != "" {
			id = s.style[style]
		}
		switch x := v.(type) {
		case nil:
			continue
		case outcomeCell:
			id = s.outcome(x.outcome)
			s.err = s.SetCellStr(s.name, cell, safe(report.OutcomeText(record.Verdict{Outcome: x.outcome, Detail: x.detail})))
		case record.Outcome:
			id = s.outcome(x)
			s.err = s.SetCellStr(s.name, cell, string(x))
		case string:
			if style == "" {
				id = s.style["text"]
			}
			s.err = s.SetCellStr(s.name, cell, safe(x))
		case wrapped:
			id = s.style["wrap"]
			s.err = s.SetCellStr(s.name, cell, safe(string(x)))
			if lines := 1 + len(x)/(wrappedWidth-6); s.err == nil && lines > 1 {
				s.err = s.SetRowHeight(s.name, s.next, 14.5*float64(lines)) // points
			}
		case shown:
			if n := orNil(x.x); n != nil {
				s.err = s.SetCellValue(s.name, cell, n)
				if s.err == nil && x.format != "General" {
					id, s.err = s.number(x.format, false)
				}
			}
		case float64:
			if n := orNil(x); n != nil {
				s.err = s.SetCellValue(s.name, cell, n)
			}
		default:
			s.err = s.SetCellValue(s.name, cell, x)
		}
		if id != 0 && s.err == nil {
			s.err = s.SetCellStyle(s.name, cell, cell, id)
		}
	}
}

func (s *sheet) gap() { s.next++ }

func (s *sheet) widths(chars ...float64) {
	for i, w := range chars {
		name, err := excelize.ColumnNumberToName(i + 1)
		if err == nil && s.err == nil {
			err = s.SetColWidth(s.name, name, name, w)
		}
		if s.err == nil {
			s.err = err
		}
	}
}

func (b *book) summary() error {
	r, rec := b.report, b.report.Record
	s := &sheet{book: b, name: summarySheet}
	s.widths(26, 20, 28, 12, 11, 10, 6, 10, 10, 7, 10, 11, 29, 12, 9, wrappedWidth)
	s.row("title", r.Title)
	s.row("", rec.Outcome, r.Headline)
	for _, n := range r.Notices {
		s.row("", "", n.Text)
	}
	if len(r.Limits) > 0 {
		s.gap()
		s.row("heading", "Limits")
		var advised any // the head of a column that is only there when something is advised
		for _, l := range r.Limits {
			if l.Closest != nil && l.Closest.Advice != "" {
				advised = "advice"
			}
		}
		s.row("head", "limit", "clause", "outcome", "closest value", "U (k = 2)", "bound", "unit", "margin", "compared", "failed", "undecided", "not judged", "rule", "guard band w", "risk", advised)
		for _, l := range r.Limits {
			v := record.Verdict{Value: math.NaN(), U: math.NaN(), Bound: math.NaN(), Band: math.NaN(), Risk: math.NaN()}
			if l.Closest != nil {
				v = *l.Closest
			}
			s.row("", l.Text, l.Clause, outcomeCell{l.Outcome, v.Detail}, measuredCell(v.Value, v.U), uncertaintyCell(v.U), v.Bound, v.Unit, measuredCell(l.Margin, v.U),
				len(l.Verdicts), l.Counts.Fail, l.Counts.Undecided, l.Counts.NotJudged, l.Rule, uncertaintyCell(v.Band), probabilityCell(v.Risk), orNothing(v.Advice))
		}
		for _, rule := range r.Rules() {
			s.row("soft", rule.Name+": "+rule.Value)
		}
	}
	if len(r.Results) > 0 {
		s.gap()
		s.row("heading", "Results over all points")
		s.row("head", "name", "value", "U (k = 2)", "unit", "part", "worked out as")
		for _, x := range r.Results {
			how := x.Expr
			if x.Why != "" {
				how += "  (none: " + x.Why + ")"
			}
			s.row("", x.Name, measuredCell(x.SI, x.U), uncertaintyCell(x.U), x.Unit, x.Part, how)
		}
	}
	for _, f := range r.Fitted {
		s.gap()
		s.row("heading", "Part: "+f.Title)
		s.row("soft", f.Law+", found from "+f.Counts)
		if f.Why != "" {
			s.row("soft", "No parameters: "+f.Why)
			continue
		}
		s.row("head", "parameter", "value", "U (k = 2)", "unit", "in the sequence", "U mostly from")
		for _, p := range f.Fit.Parameters {
			s.row("", p.What, measuredCell(p.Value, p.U), uncertaintyCell(p.U), p.Unit, p.Name, p.Biggest)
		}
	}
	for _, x := range r.Rails {
		s.gap()
		s.row("heading", "Rails: "+x.Name)
		s.row("head", "rail", "node", "channel", "set [V]", "on [s]", "good [s]", "", "off [s]")
		for _, one := range x.Rails {
			s.row("", one.Role, one.Node, one.Channel, one.Volts, shown{one.OnSeconds, "0.000"}, shown{one.GoodSeconds, "0.000"}, nil, shown{one.OffSeconds, "0.000"})
		}
	}
	if len(b.lives) > 0 {
		s.gap()
		s.row("heading", "Derived columns of the sheet "+pointsSheet)
		s.row("head", "column", "cells hold", "expression")
		for _, l := range b.lives {
			holds := "formulas"
			remark := ""
			switch {
			case l.remark != "":
				holds, remark = "values", "  (no formula: "+l.remark+")"
			case l.rows > 0:
				remark = fmt.Sprintf("  (values in %d rows, where the formula does not give the value of the record)", l.rows)
			}
			s.row("", l.column.Name, holds, l.column.Expr+remark)
		}
	}
	s.gap()
	s.row("heading", "Run")
	for _, f := range r.Facts {
		s.row("", f.Name, f.Value)
	}
	return s.err
}

// orNothing leaves a cell out for an empty text.
func orNothing(text string) any {
	if text == "" {
		return nil
	}
	return wrapped(text)
}

// wrapped is a long text that is broken in its cell, in a column wrappedWidth wide.
type wrapped string

const wrappedWidth = 46

// outcomeCell is an outcome with its finer word.
type outcomeCell struct {
	outcome record.Outcome
	detail  string
}

func (b *book) verdicts() error {
	w, err := b.NewStreamWriter(verdictsSheet)
	if err != nil {
		return err
	}
	for i, width := range []float64{8, 26, 20, 26, 14, 14, 12, 8, 28, 13, 9, 34, 50, 60} {
		if err := w.SetColWidth(i+1, i+1, width); err != nil {
			return err
		}
	}
	if err := w.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	var head []any
	for _, text := range []string{"point", "limit", "clause", "outcome", "value", "U (k = 2)", "bound", "unit", "rule", "guard band w", "risk", "where", "why", "advice"} {
		head = append(head, excelize.Cell{StyleID: b.style["head"], Value: text})
	}
	if err := w.SetRow("A1", head); err != nil {
		return err
	}
	for i, v := range b.report.Record.Verdicts {
		var point any = "all"
		if v.Point > 0 {
			point = v.Point
		}
		row := []any{point, safe(v.Limit), safe(v.Clause), excelize.Cell{StyleID: b.outcome(v.Outcome), Value: safe(report.OutcomeText(v))},
			measuredCell(v.Value, v.U), uncertaintyCell(v.U), orNil(v.Bound), safe(v.Unit), safe(v.Rule), uncertaintyCell(v.Band), probabilityCell(v.Risk),
			safe(v.Where), safe(v.Why), safe(v.Advice)}
		for i, cell := range row {
			switch x := cell.(type) {
			case string:
				row[i] = excelize.Cell{StyleID: b.style["text"], Value: x}
			case shown:
				style, err := b.number(x.format, false)
				if err != nil {
					return err
				}
				row[i] = excelize.Cell{StyleID: style, Value: orNil(x.x)}
			}
		}
		if err := w.SetRow("A"+strconv.Itoa(i+2), row); err != nil {
			return err
		}
	}
	return w.Flush()
}

func (b *book) conditions() error {
	r, rec := b.report, b.report.Record
	s := &sheet{book: b, name: conditionsSheet}
	s.widths(20, 24, 16, 16, 16, 16, 26, 20)
	section := func(title string, head ...any) {
		if s.next > 0 {
			s.gap()
		}
		s.row("heading", title)
		if len(head) > 0 {
			s.row("head", head...)
		}
	}
	if len(rec.Instruments) > 0 {
		section("Instruments", "name", "identity", "serial", "firmware", "calibrated", "serves", "address", "model file")
		for _, in := range rec.Instruments {
			s.row("", in.Name, strings.TrimSpace(in.Maker+" "+in.Model), in.Serial, in.Firmware, in.Calibrated, strings.Join(in.Roles, ", "), in.Address, in.Driver)
		}
	}
	if len(rec.Wiring) > 0 {
		section("Wiring", "node", "channel", "as", "sense", "lead [ohm]")
		for _, w := range rec.Wiring {
			var lead any
			if w.LeadOhm > 0 {
				lead = w.LeadOhm
			}
			s.row("", w.Node, w.Channel, w.As, w.Sense, lead)
		}
	}
	if len(rec.Params) > 0 {
		section("Parameters as set", "name", "values", "", "what it is")
		for _, p := range rec.Params {
			s.row("", p.Name, strings.Join(p.Values, ", "), nil, p.About)
		}
	}
	if len(rec.Guards) > 0 {
		section("Guard", "node", "voltage", "current", "power")
		for _, g := range rec.Guards {
			s.row("", g.Node, g.Volts, g.Amps, g.Watts)
		}
	}
	if len(r.Measured) > 0 {
		section("Where the values come from", "name", "what", "channel", "ranges used", "biggest part of U")
		for _, m := range r.Measured {
			s.row("", m.Column.Name, m.Column.Node+m.Column.Expr, m.Column.From, strings.Join(m.Ranges, ", "), strings.Join(m.Biggest, ", "))
		}
	}
	if len(r.Stepped) > 0 {
		section("How sweeps were stepped")
		for _, x := range r.Stepped {
			s.row("", x.String())
		}
	}
	for _, list := range []struct {
		title   string
		remarks []report.Remark
	}{{"Corrections applied", r.Applied}, {"On the uncertainties", r.Remarks}} {
		if len(list.remarks) > 0 {
			section(list.title)
			for _, x := range list.remarks {
				s.row("", x.String())
			}
		}
	}
	section("Before you repeat this test")
	for _, c := range r.Cautions {
		s.row("", c.Title, c.Text)
	}
	if len(r.Inputs) > 0 {
		section("Files of the record", "file", "SHA-256", "", "", "", "bytes")
		for _, f := range r.Inputs {
			s.row("", f.Path, f.SHA256, nil, nil, nil, f.Bytes)
		}
	}
	return s.err
}
