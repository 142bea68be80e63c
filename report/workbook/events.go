package workbook

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"fourwire/record"
	"fourwire/report"
)

// mostRows is the last row of a sheet (ECMA-376, part 1, 18.3.1.73; common practice of spreadsheets).
const mostRows = 1048576

// events writes every event of a trace as one row of a table that can be filtered and sorted: all of them as they stand in the record's own
// list, those of the analysis where that list is not there.
func (b *book) events(t *report.Trace, name string, number int) error {
	w, err := b.NewStreamWriter(name)
	if err != nil {
		return err
	}
	if err := w.SetColWidth(1, 12, 14); err != nil {
		return err
	}
	if err := w.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	styles := map[string]int{}
	for unit, format := range map[string]string{"[s]": "0.000000", "": "0.00000E+00"} {
		if styles[unit], err = b.number(format, false); err != nil {
			return err
		}
	}
	rows, columns := 0, 0
	var heads []string
	row := func(cells []string) error {
		rows++
		out := make([]any, len(cells))
		for i, text := range cells {
			switch x, err := strconv.ParseFloat(text, 64); {
			case rows == 1:
				out[i] = excelize.Cell{StyleID: b.style["number head"], Value: safe(text)}
			case i < len(heads) && heads[i] == "kind" && text == "":
				out[i] = "like no other"
			case err == nil && i < len(heads) && strings.HasSuffix(heads[i], "[s]"):
				out[i] = excelize.Cell{StyleID: styles["[s]"], Value: orNil(x)}
			case err == nil:
				out[i] = excelize.Cell{StyleID: styles[""], Value: orNil(x)}
			default:
				out[i] = safe(text)
			}
		}
		if rows == 1 {
			heads, columns = append(heads, cells...), len(cells)
		}
		return w.SetRow("A"+strconv.Itoa(rows), out)
	}
	more, err := b.eventRows(t, row)
	if err != nil {
		return err
	}
	if rows > 1 && columns > 0 && distinct(heads) {
		end, err := excelize.CoordinatesToCellName(columns, rows)
		if err != nil {
			return err
		}
		if err := w.AddTable(&excelize.Table{Range: "A1:" + end, Name: "events_" + strconv.Itoa(number+1), StyleName: "TableStyleLight1"}); err != nil {
			return err
		}
	}
	if more > 0 {
		cell, _ := excelize.CoordinatesToCellName(columns+2, 1)
		if err := w.SetRow(cell, []any{fmt.Sprintf("%d further events are in %s/%s.events.csv", more, record.AnalysisFolder, t.Name)}); err != nil {
			return err
		}
	}
	return w.Flush()
}

func distinct(texts []string) bool {
	seen := map[string]bool{}
	for _, t := range texts {
		if t == "" || seen[t] {
			return false
		}
		seen[t] = true
	}
	return true
}

// eventRows gives the head and the events one by one, as many as a sheet holds, and how many are left over.
func (b *book) eventRows(t *report.Trace, row func([]string) error) (more int, err error) {
	root, err := os.OpenRoot(b.report.Record.Dir)
	if err != nil {
		return 0, err
	}
	defer root.Close()
	f, err := root.Open(filepath.Join(record.AnalysisFolder, t.Name+".events.csv"))
	if errors.Is(err, fs.ErrNotExist) {
		return b.listedEvents(t, row)
	}
	if err != nil {
		return 0, err
	}
	defer f.Close()
	r := csv.NewReader(bufio.NewReaderSize(f, 1<<16))
	r.ReuseRecord = true
	for n := 1; ; n++ {
		cells, err := r.Read()
		switch {
		case err == io.EOF:
			return more, nil
		case err != nil: // damaged from here on; verify tells it too
			return 0, row([]string{safe(fmt.Sprintf("the list cannot be read further: %v", err))})
		case n > mostRows:
			more++
		default:
			if err := row(cells); err != nil {
				return 0, err
			}
		}
	}
}

func (b *book) listedEvents(t *report.Trace, row func([]string) error) (more int, err error) {
	err = row([]string{"start [s]", "duration [s]", "charge [C]", "U(charge) [C]", "energy [J]", "peak [A]", "mean [A]", "kind"})
	for _, e := range t.Drain.Events {
		if err != nil {
			return 0, err
		}
		cells := make([]string, 0, 8)
		for _, x := range []float64{e.Start, e.Seconds, e.Coulombs, e.U, e.Joules, e.PeakAmps, e.MeanAmps} {
			cells = append(cells, exact(x))
		}
		kind := ""
		if e.Kind >= 0 && e.Kind < len(t.Drain.Kinds) {
			kind = t.Drain.Kinds[e.Kind].Name
		}
		err = row(append(cells, kind))
	}
	return max(0, t.Drain.Count-len(t.Drain.Events)), err
}
