package sheet

// kind is what a cell holds.
type kind uint8

const (
	empty kind = iota
	number
	text
	truth     // a boolean
	broken    // an error value such as #N/A
	date      // a number that is shown as a date or time
	percent   // a number that is shown in percent
	uncounted // a formula whose value is not in the file
	void      // a formula that gives an empty text, or was never worked out
	garbled   // bytes that are no UTF-8
)

// cell is one cell as it stands in the file.
type cell struct {
	kind   kind
	text   string // as stored: digits of a number, a text with its spaces
	shown  string // of a number: as the spreadsheet shows it
	suffix string // of a number: the text that its number format shows behind it
	typed  bool   // of a CSV file, where numbers are texts
}

// grid is a whole tab.
type grid struct {
	rows   [][]cell
	hidden map[int]bool // rows
	gone   map[int]bool // columns that are hidden
	merged []region
	comma  bool // CSV with commas between the fields
}

// region is a block of cells.
type region struct{ left, top, right, bottom int }

// cell gives an empty one outside of what is there.
func (g *grid) cell(column, row int) cell {
	if row < 1 || row > len(g.rows) || column < 1 || column > len(g.rows[row-1]) {
		return cell{}
	}
	return g.rows[row-1][column-1]
}

// inMerged tells whether a cell is part of merged ones.
func (g *grid) inMerged(column, row int) bool {
	for _, m := range g.merged {
		if column >= m.left && column <= m.right && row >= m.top && row <= m.bottom {
			return true
		}
	}
	return false
}

func (g *grid) width() int {
	width := 0
	for _, row := range g.rows {
		for i := len(row); i > width; i-- {
			if row[i-1].kind != empty {
				width = i
				break
			}
		}
	}
	return width
}

// last is the last row that has anything in it.
func (g *grid) last() int {
	for i := len(g.rows); i > 0; i-- {
		for _, c := range g.rows[i-1] {
			if c.kind != empty {
				return i
			}
		}
	}
	return 0
}

// blank tells whether a row has nothing in it between two columns, ends included.
func (g *grid) blank(row, left, right int) bool {
	for c := left; c <= right; c++ {
		if k := g.cell(c, row).kind; k != empty && k != void {
			return false
		}
	}
	return true
}
