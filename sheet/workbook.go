package sheet

import (
	"bytes"
	"errors"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"fourwire/internal/diag"
)

// maxUnpacked is how large the parts of a workbook may be when they are unpacked.
const maxUnpacked = 512 << 20

// Open opens a workbook of bounded size.
func Open(data []byte) (*excelize.File, error) {
	return excelize.OpenReader(bytes.NewReader(data), excelize.Options{UnzipSizeLimit: maxUnpacked, UnzipXMLSizeLimit: 64 << 20})
}

// workbook reads a tab of a workbook.
func (r *reader) workbook(data []byte) *grid {
	const save = `save it as a workbook of the kind .xlsx`
	switch {
	case len(data) > MaxBytes:
		r.whole("take out what the runs do not need", "the file has more than %d MB", MaxBytes>>20)
		return nil
	case bytes.HasPrefix(data, []byte("\xd0\xcf\x11\xe0")) && bytes.Contains(data, utf16("EncryptedPackage")):
		r.whole("save a copy without a password", "the workbook is encrypted")
		return nil
	case bytes.HasPrefix(data, []byte("\xd0\xcf\x11\xe0")):
		r.whole(save, "this is a workbook of the old kind, .xls")
		return nil
	case bytes.Contains(data[:min(len(data), 200)], []byte("application/vnd.oasis.opendocument")):
		r.whole(save, "this is an OpenDocument file")
		return nil
	case !bytes.HasPrefix(data, []byte("PK")):
		r.whole("give a workbook (.xlsx) or a CSV file (.csv)", "this is no workbook")
		return nil
	}
	f, err := Open(data)
	if err != nil {
		r.whole("open it in a spreadsheet and save it again as .xlsx", "the workbook is damaged: %s", err)
		return nil
	}
	defer f.Close()
	if !r.chooseTab(f) {
		return nil
	}
	g, err := r.tab(f)
	if err != nil {
		r.whole("open it in a spreadsheet and save it again as .xlsx", "the workbook is damaged: %s", err)
		return nil
	}
	return g
}

func utf16(text string) []byte {
	var out []byte
	for _, c := range []byte(text) {
		out = append(out, c, 0)
	}
	return out
}

func (r *reader) chooseTab(f *excelize.File) bool {
	var seen []string
	for _, name := range f.GetSheetList() {
		if visible, err := f.GetSheetVisible(name); err == nil && visible {
			seen = append(seen, name)
		}
	}
	switch {
	case r.options.Tab != "" && slices.Contains(f.GetSheetList(), r.options.Tab):
		r.table.Tab = r.options.Tab
	case r.options.Tab != "":
		r.whole(diag.Suggest(r.options.Tab, f.GetSheetList()), "there is no tab %q", r.options.Tab)
		return false
	case len(seen) == 0:
		r.whole("show the one with the parameters", "every tab of the workbook is hidden")
		return false
	default:
		r.table.Tab = seen[0]
	}
	return true
}

func (r *reader) tab(f *excelize.File) (*grid, error) {
	tab := r.table.Tab
	rows, err := f.GetRows(tab, excelize.Options{RawCellValue: true})
	if err != nil {
		return nil, err
	}
	g := &grid{hidden: map[int]bool{}, gone: map[int]bool{}}
	if len(rows) > 2*MaxRows {
		r.whole("split it, or delete what stands far below", "the tab has more than %d rows", 2*MaxRows)
		return nil, nil
	}
	shown := map[int]string{}
	for i, row := range rows {
		visible, err := f.GetRowVisible(tab, i+1)
		if err != nil {
			return nil, err
		}
		if !visible {
			g.hidden[i+1] = true
		}
		if len(row) > MaxColumns {
			r.whole("split it, or delete what stands far to the right", "the tab has more than %d columns", MaxColumns)
			return nil, nil
		}
		out := make([]cell, len(row))
		for j, raw := range row {
			if out[j], err = readCell(f, tab, j+1, i+1, raw, shown); err != nil {
				return nil, err
			}
		}
		g.rows = append(g.rows, out)
	}
	for c := range g.width() {
		name, err := excelize.ColumnNumberToName(c + 1)
		if err != nil {
			return nil, err
		}
		visible, err := f.GetColVisible(tab, name)
		if err != nil {
			return nil, err
		}
		g.gone[c+1] = !visible
	}
	merged, err := f.GetMergeCells(tab)
	if err != nil {
		return nil, err
	}
	for _, m := range merged {
		left, top, err := excelize.CellNameToCoordinates(m.GetStartAxis())
		right, bottom, err2 := excelize.CellNameToCoordinates(m.GetEndAxis())
		if err := errors.Join(err, err2); err != nil {
			return nil, err
		}
		g.merged = append(g.merged, region{left, top, right, bottom})
	}
	return g, nil
}

// readCell looks what a cell is. shown remembers the number formats by style.
func readCell(f *excelize.File, tab string, column, row int, raw string, shown map[int]string) (cell, error) {
	name, err := excelize.CoordinatesToCellName(column, row)
	if err != nil {
		return cell{}, err
	}
	t, err := f.GetCellType(tab, name)
	if err != nil {
		return cell{}, err
	}
	if raw == "" {
		switch formula, err := f.GetCellFormula(tab, name); {
		case err != nil || formula == "":
			return cell{}, err
		case t == excelize.CellTypeFormula:
			return cell{kind: void}, nil
		}
		return cell{kind: uncounted}, nil
	}
	switch t {
	case excelize.CellTypeBool:
		return cell{kind: truth, text: map[string]string{"1": "TRUE"}[raw]}, nil
	case excelize.CellTypeError:
		return cell{kind: broken, text: raw}, nil
	case excelize.CellTypeDate:
		return cell{kind: date, text: raw, shown: raw}, nil
	case excelize.CellTypeInlineString, excelize.CellTypeSharedString, excelize.CellTypeFormula:
		_, err := strconv.ParseFloat(raw, 64)
		switch {
		case strings.Trim(raw, blanks) == "":
			return cell{}, nil
		case t != excelize.CellTypeFormula || err != nil: // some programs call every result of a formula a text
			return cell{kind: text, text: raw}, nil
		}
	}
	style, err := f.GetCellStyle(tab, name)
	if err != nil {
		return cell{}, err
	}
	format, known := shown[style]
	if !known {
		if format, err = numberFormat(f, style); err != nil {
			return cell{}, err
		}
		shown[style] = format
	}
	c := cell{kind: number, text: raw, suffix: literal(format)}
	if c.shown, err = f.GetCellValue(tab, name); err != nil {
		return cell{}, err
	}
	switch {
	case isDate(format):
		c.kind = date
	case strings.Contains(unquoted(format), "%"):
		c.kind = percent
	}
	return c, nil
}

// numberFormat is the code of a style. Numbers of built-in formats: ECMA-376, part 1, 18.8.30.
func numberFormat(f *excelize.File, style int) (string, error) {
	s, err := f.GetStyle(style)
	if err != nil {
		return "", err
	}
	switch n := s.NumFmt; {
	case s.CustomNumFmt != nil:
		return *s.CustomNumFmt, nil
	case n == 9 || n == 10:
		return "0%", nil
	case n >= 14 && n <= 22, n >= 27 && n <= 36, n >= 45 && n <= 47, n >= 50 && n <= 58:
		return "yyyy-mm-dd", nil
	}
	return "General", nil
}

var (
	quoted   = regexp.MustCompile(`"([^"]*)"|\\(.)`)
	brackets = regexp.MustCompile(`\[[^\]]*\]`)
)

// unquoted is a format without its literal texts, colours, conditions and locales; elapsed times as in [h] count as letters.
func unquoted(format string) string {
	format = quoted.ReplaceAllString(format, "")
	return brackets.ReplaceAllStringFunc(format, func(s string) string {
		if inner := strings.ToLower(strings.Trim(s, "[]")); strings.Trim(inner, "hms") == "" {
			return inner
		}
		return ""
	})
}

func isDate(format string) bool {
	format = strings.ToLower(unquoted(format))
	if strings.Contains(format, "general") || strings.ContainsAny(format, "@") {
		return false
	}
	return strings.ContainsAny(format, "dmyhs")
}

// literal is the text that a format shows behind a positive number.
func literal(format string) string {
	first, _, _ := strings.Cut(format, ";")
	var b strings.Builder
	for _, m := range quoted.FindAllStringSubmatch(first, -1) {
		b.WriteString(m[1] + m[2])
	}
	return strings.TrimSpace(b.String())
}
