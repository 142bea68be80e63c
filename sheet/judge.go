package sheet

import (
	"fmt"
	"regexp"
	"strings"

	"github.com/xuri/excelize/v2"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// The columns beside the parameters. A parameter of the same name goes before.
const (
	DeviceColumn = "unit" // which device is under test: a serial number
	SkipColumn   = "skip" // yes: the row is not run
	NoteColumn   = "note"
	OwnMark      = "#" // begins the head of a column that is the user's own
)

// head is what the header says of a column.
type head struct {
	name, unit string
	param      *Param
	bad        bool // its cells are not looked at
}

var named = regexp.MustCompile(`^([^\[\](){}]*?)\s*(?:\[([^\[\]]*)\])?$`)

// judge looks at every cell of the table.
func (r *reader) judge(g *grid) {
	header, first := r.findHeader(g)
	if header == 0 {
		r.whole(fmt.Sprintf("begin with a row of names: %s", r.wanted()), "there is nothing in it")
		return
	}
	t := r.table
	t.Header, t.Last, t.Width = header, g.last(), g.width()
	left, right := first, first
	for left > 1 && g.cell(left-1, header).kind != empty {
		left--
	}
	for g.cell(right+1, header).kind != empty {
		right++
	}
	heads := r.heads(g, header, left, right)
	r.apart(g, header, left, right)
	r.mergedCells(g, region{left, header, right, t.Last})
	if len(t.Given) == 0 && len(r.faults) > 0 {
		return
	}
	if len(t.Given) == 0 {
		r.at(left, header, fmt.Sprintf("name columns as the parameters of the sequence: %s", r.wanted()), "no column gives a parameter")
		return
	}
	rows := 0
	for row := header + 1; row <= t.Last; row++ {
		if g.blank(row, left, right) {
			continue
		}
		if rows++; rows > MaxRows {
			r.at(left, row, fmt.Sprintf("split it into files of at most %d rows", MaxRows), "there are more than %d rows", MaxRows)
			break
		}
		r.row(g, row, left, right, heads)
	}
	if rows == 0 && len(r.faults) == 0 {
		r.at(left, header+1, "write a row with a value in each column", "there is no row below the header")
	}
	if r.options.Sweep && len(r.faults) == 0 {
		r.oneVaries()
	}
}

// wanted lists how the columns may be headed.
func (r *reader) wanted() string {
	var out []string
	for _, p := range r.options.Params {
		text := p.Name
		if u := p.Dim.Unit(); u != "" {
			text += " [" + u + "]"
		}
		out = append(out, text)
	}
	if len(out) == 0 {
		return "the sequence has no parameter"
	}
	return strings.Join(out, ", ")
}

// findHeader gives the first row that names a parameter, and the column that does; else the first row with anything in it.
func (r *reader) findHeader(g *grid) (row, column int) {
	for y := range g.rows {
		for x, c := range g.rows[y] {
			if c.kind == empty {
				continue
			}
			if row == 0 {
				row, column = y+1, x+1
			}
			if c.kind != text {
				continue
			}
			if m := named.FindStringSubmatch(tidy(c.text)); m != nil && r.param(m[1]) != nil {
				return y + 1, x + 1
			}
		}
	}
	return row, column
}

func (r *reader) param(name string) *Param {
	for i, p := range r.options.Params {
		if p.Name == name {
			return &r.options.Params[i]
		}
	}
	return nil
}

// heads reads the row of names.
func (r *reader) heads(g *grid, row, left, right int) map[int]head {
	out := map[int]head{}
	seen := map[string]int{}
	for x := left; x <= right; x++ {
		h := r.head(g.cell(x, row), x, row)
		if !h.bad && h.name != OwnMark {
			if at, twice := seen[h.name]; twice {
				r.at(x, row, "delete one of them", "the name %s stands in %s already", h.name, r.table.Address(at, row))
				h.bad = true
			}
			seen[h.name] = x
		}
		if g.gone[x] && h.param != nil {
			r.at(x, row, "show the column, or delete it", "the column of %s is hidden", h.name)
		}
		if h.param != nil && !h.bad {
			r.table.Given = append(r.table.Given, Named{*h.param, x, h.unit})
		}
		out[x] = h
	}
	return out
}

func (r *reader) head(c cell, x, row int) head {
	bad := head{bad: true}
	if wrong := c.unfit("the name of a parameter"); wrong != nil {
		r.at(x, row, wrong.hint, "%s", wrong.text)
		return bad
	}
	words := tidy(c.text)
	if strings.HasPrefix(words, OwnMark) {
		return head{name: OwnMark}
	}
	m := named.FindStringSubmatch(words)
	if m == nil {
		name, _, _ := strings.Cut(words, "(")
		r.at(x, row, "write the name, and its unit in square brackets, as in "+strings.TrimSpace(name)+" [V]", "%q is no head of a column", words)
		return bad
	}
	p := r.param(m[1])
	if p == nil {
		switch word := strings.ToLower(m[1]); word {
		case DeviceColumn, SkipColumn, NoteColumn:
			return head{name: word}
		}
		names := []string{DeviceColumn, SkipColumn, NoteColumn}
		for _, p := range r.options.Params {
			names = append(names, p.Name)
		}
		hint := diag.Suggest(m[1], names)
		if hint != "" {
			hint += "; "
		}
		r.at(x, row, hint+"a column of your own has a head that begins with "+OwnMark, "the sequence has no parameter %q", m[1])
		return bad
	}
	unit := strings.TrimSpace(m[2])
	h := head{name: p.Name, unit: unit, param: p}
	if strings.Contains(words, "[") {
		_, err := quantity.ParseAs("1 "+unit, p.Dim)
		switch {
		case unit == "":
			err = fmt.Errorf("the brackets are empty")
		case err != nil && strings.HasPrefix(err.Error(), `"1 `):
			_, text, _ := strings.Cut(err.Error(), `": `)
			err = fmt.Errorf("[%s]: %s", unit, text)
		}
		if err != nil {
			r.at(x, row, fmt.Sprintf("write %s", strings.TrimSuffix(p.Name+" ["+p.Dim.Unit()+"]", " []")), "%s", err)
			h.bad = true
		}
	}
	return h
}

// apart looks for parameters whose column does not belong to the table.
func (r *reader) apart(g *grid, row, left, right int) {
	for x := 1; x <= g.width(); x++ {
		c := g.cell(x, row)
		if x >= left && x <= right || c.kind != text {
			continue
		}
		if m := named.FindStringSubmatch(tidy(c.text)); m != nil && r.param(m[1]) != nil {
			r.at(x, row, "take out the empty columns between, or rename it", "the column of %s stands apart from the others", m[1])
		}
	}
}

func (r *reader) mergedCells(g *grid, in region) {
	for _, m := range g.merged {
		if m.right < in.left || m.left > in.right || m.bottom < in.top || m.top > in.bottom {
			continue
		}
		end, err := excelize.CoordinatesToCellName(m.right, m.bottom)
		if err != nil {
			continue
		}
		r.note(m.left, m.top, r.table.Address(m.left, m.top)+":"+end, "unmerge them and write a value into each", "the cells are merged")
	}
}

// row reads one row of the table.
func (r *reader) row(g *grid, number, left, right int, heads map[int]head) {
	if g.hidden[number] {
		r.at(left, number, "show it, or write yes into a column skip", "row %d is hidden", number)
	}
	if n, want := g.count(number), g.count(r.table.Header); g.hidden == nil && n != want {
		hint := `put fields with a separator in them into double quotes`
		if n < want {
			hint = "write a separator for each field, also for empty ones"
		} else if g.comma {
			hint += "; a number is written with a point, not with a comma"
		}
		r.at(min(n, want)+1, number, hint, "the row has %d fields, the header has %d", n, want)
		return
	}
	out := Row{Number: number}
	var wrong []fault
	for x := left; x <= right; x++ {
		h, c := heads[x], g.cell(x, number)
		if h.bad || c.kind == empty && g.inMerged(x, number) {
			continue
		}
		before := len(r.faults)
		switch {
		case h.param != nil:
			v, bad := newColumn(*h.param, x, h.unit).value(c)
			if bad != nil {
				r.at(x, number, bad.hint, "%s", bad.text)
			} else if v.Name != "" {
				out.Values = append(out.Values, v)
			}
		case h.name == SkipColumn:
			out.Skip = r.skip(c, x, number)
		case h.name == DeviceColumn || h.name == NoteColumn:
			r.words(c, h.name, &out, x, number)
		default:
			if c.kind == garbled {
				r.at(x, number, `save the file as "CSV UTF-8"`, "the cell has bytes that are no UTF-8: %q", c.text)
			}
		}
		wrong = append(wrong, r.faults[before:]...)
	}
	if out.Skip { // its parameters may be wrong or missing: nobody uses them
		keep := r.faults[:len(r.faults)-len(wrong)]
		for _, f := range wrong {
			if h := heads[f.column]; h.param == nil {
				keep = append(keep, f)
			}
		}
		r.faults = keep
	}
	r.table.Rows = append(r.table.Rows, out)
}

// count is how many fields a row of a CSV file has.
func (g *grid) count(row int) int {
	if row < 1 || row > len(g.rows) {
		return 0
	}
	return len(g.rows[row-1])
}

func (r *reader) skip(c cell, x, row int) bool {
	word := strings.ToLower(tidy(c.text))
	switch {
	case c.kind == empty || c.kind == void:
		return false
	case c.kind == truth:
		return c.text == "TRUE"
	case c.kind == text && (word == "no" || word == "-"), c.kind == number && c.text == "0", c.typed && word == "0":
		return false
	case c.kind == text && (word == "yes" || word == "x"), c.kind == number && c.text == "1", c.typed && word == "1":
		return true
	}
	r.at(x, row, "write yes, no or nothing", "%q does not say whether the row is to be skipped", c.text+c.shown)
	return false
}

// maxWords is the most characters of a unit or note.
const maxWords = 500

func (r *reader) words(c cell, name string, out *Row, x, row int) {
	if wrong := c.unfit("a text"); wrong != nil && c.kind != truth && c.kind != void && c.kind != date && c.kind != percent {
		r.at(x, row, wrong.hint, "%s", wrong.text)
		return
	}
	words := tidy(c.text)
	if c.kind == number || c.kind == date || c.kind == percent {
		words = tidy(c.shown)
	}
	if len([]rune(words)) > maxWords {
		r.at(x, row, fmt.Sprintf("write at most %d characters", maxWords), "the text is too long")
		return
	}
	words = diag.Printable(strings.Join(strings.Fields(words), " "))
	if name == DeviceColumn {
		out.Device = words
	} else {
		out.Note = words
	}
}

// oneVaries sees to it that the rows are the values of one sweep.
func (r *reader) oneVaries() {
	t := r.table
	varies := ""
	var used []Row
	for _, row := range t.Rows {
		if !row.Skip {
			used = append(used, row)
		}
	}
	for i, row := range used {
		for _, v := range row.Values {
			if !v.Single {
				r.at(v.Column, row.Number, "write one value; the rows together are the list", "the cell holds several values")
				continue
			}
			if i == 0 || len(row.Values) != len(used[0].Values) {
				continue
			}
			for _, before := range used[0].Values {
				if before.Name != v.Name || before.Amount == v.Amount || varies == v.Name {
					continue
				}
				if varies != "" {
					r.at(v.Column, row.Number, "write the same value into each of its rows, or make each row a run: leave out --sheet-as", "%s varies, and so does %s: the sweep of one run goes through one parameter", v.Name, varies)
					return
				}
				varies = v.Name
			}
		}
		if len(row.Values) != len(used[0].Values) {
			r.at(t.Given[0].Column, row.Number, "write the same into all of its rows", "in some rows a value is left to the sequence, in others not")
			return
		}
	}
}
