package terminal

import (
	"fmt"
	"math"
	"strings"
	"sync"
	"time"

	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/report"
)

// Options says where a run is shown.
type Options struct {
	Progress Stream      // while it goes on
	Results  Stream      // how it ended
	Clock    clock.Clock // for the time left and the pace of drawing: that of whoever watches, not of the bench; nil is the machine's
}

// drawEvery is the least time between two drawings of the live lines.
const drawEvery = 60 * time.Millisecond

// View shows one run. Its methods may be called from several goroutines.
type View struct {
	mu      sync.Mutex // guards everything below
	o       Options
	clock   clock.Clock
	started time.Time
	drawn   time.Time
	below   []int // widths of the live lines that are on the screen

	title    string
	columns  []record.Column
	outer    string // name of the outermost coordinate; empty where there is only one
	planned  int
	done     int
	said     int // percent, in plain lines
	tenth    int // of what Progress shows, in plain lines
	last     *record.Point
	group    group
	verdicts record.Counts
}

// group is what is known of the current value of the outermost sweep.
type group struct {
	open      bool
	value     float64
	points    int
	began     time.Duration // on the run's clock
	ended     time.Duration
	low, high record.Cell // of the last derived ratio, or else the last derived column
	counts    record.Counts
	doubtful  int
}

// New makes a view.
func New(o Options) *View {
	return &View{o: o, clock: clock.Or(o.Clock)}
}

// Start says what is about to run. planned is the number of points to come; 0 where nobody knows.
func (v *View) Start(s record.Start, columns []record.Column, planned int) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.started, v.title, v.columns, v.planned = v.clock.Now(), s.Title, columns, planned
	var coordinates []string
	for _, c := range columns {
		if c.Kind == record.Coordinate {
			coordinates = append(coordinates, c.Name)
		}
	}
	if len(coordinates) > 1 {
		v.outer = coordinates[0]
	}
	text := s.Title
	if planned > 0 {
		text += fmt.Sprintf(" (%d points)", planned)
	}
	v.print(v.o.Progress.paint(bold, v.o.Progress.cut(v.o.Progress.text(text), v.o.Progress.columns())))
}

// Point shows the newest point.
func (v *View) Point(p record.Point) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.done++
	if v.outer != "" {
		at := si(p, v.outer)
		if v.group.open && at != v.group.value {
			v.endGroup()
		}
		if !v.group.open {
			v.group = group{open: true, value: at, began: p.At, low: record.Cell{SI: math.Inf(1)}, high: record.Cell{SI: math.Inf(-1)}}
		}
		v.group.add(p, v.telling())
	}
	v.last = &p
	v.draw(v.done == v.planned)
	if !v.o.Progress.Live && v.outer == "" {
		v.sayPercent()
	}
}

func (g *group) add(p record.Point, telling string) {
	g.points++
	g.ended = p.At
	if p.Status() != record.StatusOK {
		g.doubtful++
		return
	}
	c, ok := p.Cells[telling]
	if !ok || math.IsNaN(c.SI) {
		return
	}
	if c.SI < g.low.SI {
		g.low = c
	}
	if c.SI > g.high.SI {
		g.high = c
	}
}

// telling is the column whose span says most about a sweep: the first derived ratio, else the last derived or measured one.
func (v *View) telling() string {
	name := ""
	for _, c := range v.columns {
		if c.Kind == record.Derived && c.Dim == quantity.Ratio {
			return c.Name
		}
		if c.Kind != record.Coordinate {
			name = c.Name
		}
	}
	return name
}

// sayPercent writes a plain line at each tenth of the run.
func (v *View) sayPercent() {
	if v.planned <= 0 {
		return
	}
	if percent := 100 * v.done / v.planned; percent/10 > v.said/10 {
		v.said = percent
		v.print(fmt.Sprintf("%d of %d points", v.done, v.planned))
	}
}

// Verdict counts a comparison; one that fails or cannot be decided is told at once.
func (v *View) Verdict(x record.Verdict) {
	v.mu.Lock()
	defer v.mu.Unlock()
	one := record.Count([]record.Verdict{x})
	v.verdicts = add(v.verdicts, one)
	v.group.counts = add(v.group.counts, one)
	if x.Outcome != record.Fail && x.Outcome != record.Undecided {
		return
	}
	s := v.o.Progress
	text := x.Limit
	if x.Point > 0 {
		text += fmt.Sprintf(" at point %d", x.Point)
	}
	if x.Where != "" {
		text += " (" + x.Where + ")"
	}
	text += ": " + report.ValueText(x)
	if x.Detail != "" {
		text += ", " + x.Detail
	}
	if x.Advice != "" {
		text += "; " + report.Pretty(x.Advice)
	}
	label := pad(string(x.Outcome), 9)
	for i, line := range wrap(s.text(text), max(10, s.columns()-12), "") {
		if i > 0 {
			label = strings.Repeat(" ", 9)
		}
		v.print("  " + s.paint(colourOf(x.Outcome), label) + " " + line)
	}
}

func add(a, b record.Counts) record.Counts {
	return record.Counts{Pass: a.Pass + b.Pass, Fail: a.Fail + b.Fail, Undecided: a.Undecided + b.Undecided, NotJudged: a.NotJudged + b.NotJudged}
}

func colourOf(o record.Outcome) string {
	switch o {
	case record.Pass:
		return green
	case record.Fail:
		return red
	case record.Undecided:
		return yellow
	}
	return faint
}

// Note tells something that happened; level is info, warn or error.
func (v *View) Note(level, text string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	s := v.o.Progress
	colour := map[string]string{"warn": yellow, "error": red}[level]
	for _, line := range wrap(s.text(text), max(10, s.columns()-2), "  ") {
		v.print("  " + s.paint(colour, line))
	}
}

// endGroup writes the line of a finished value of the outermost sweep.
func (v *View) endGroup() {
	g, s := v.group, v.o.Progress
	v.group = group{}
	if !g.open {
		return
	}
	parts := []string{fmt.Sprintf("%d points in %s", g.points, report.Lasted(g.ended-g.began))}
	if g.low.SI <= g.high.SI {
		c := v.column(v.telling())
		scale := report.ScaleFor(g.high.SI, c.Dim)
		low, _ := scale.Numbers(g.low.SI, g.low.U)
		high, _ := scale.Numbers(g.high.SI, g.high.U)
		parts = append(parts, strings.TrimSpace(fmt.Sprintf("%s %s..%s %s", c.Name, low, high, scale.Symbol)))
	}
	for _, x := range []struct {
		n    int
		word string
	}{{g.counts.Fail, "failed"}, {g.counts.Undecided, "undecided"}, {g.doubtful, "to read with care"}} {
		if x.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", x.n, x.word))
		}
	}
	colour := ""
	if g.counts.Fail > 0 {
		colour = red
	} else if g.counts.Undecided > 0 {
		colour = yellow
	}
	text := v.outer + " = " + quantity.Of(g.value, v.column(v.outer).Dim).Text(6) + ": " + strings.Join(parts, ", ")
	for _, line := range wrap(s.text(text), max(10, s.columns()-1), "  ") {
		v.print(s.paint(colour, line))
	}
}

func (v *View) column(name string) record.Column {
	for _, c := range v.columns {
		if c.Name == name {
			return c
		}
	}
	return record.Column{Name: name}
}

func si(p record.Point, name string) float64 {
	if c, ok := p.Cells[name]; ok {
		return c.SI
	}
	return math.NaN()
}

// print writes a whole line above the live lines.
func (v *View) print(line string) {
	s := v.o.Progress
	if s.To == nil {
		return
	}
	v.clear()
	fmt.Fprintln(s.To, line)
	v.drawn = time.Time{} // the live lines are due again
	v.draw(false)
}

// clear takes the live lines off the screen. A window that became narrower has broken them into more rows.
func (v *View) clear() {
	if len(v.below) == 0 {
		return
	}
	rows := 0
	for _, n := range v.below {
		rows += max(1, (n+v.o.Progress.columns()-1)/v.o.Progress.columns())
	}
	// row by row: some terminals keep a screen that is cleared at once in their history
	fmt.Fprint(v.o.Progress.To, "\r\x1b[2K"+strings.Repeat("\x1b[A\x1b[2K", rows-1))
	v.below = nil
}

// draw writes the live lines, not more often than an eye can follow unless it must be now.
func (v *View) draw(now bool) {
	s := v.o.Progress
	if s.To == nil || !s.Live || v.last == nil || !now && !v.drawn.IsZero() && v.clock.Since(v.drawn) < drawEvery {
		return
	}
	v.clear()
	v.drawn = v.clock.Now()
	room := s.columns() - 1
	numbers, bar := s.cut(v.numbers(), room), v.bar(room)
	fmt.Fprint(s.To, s.paint(faint, numbers)+"\n"+bar)
	v.below = []int{cells(numbers), cells(bar)}
}

// numbers is the newest point on one line: coordinates, then derived values, then measured ones.
func (v *View) numbers() string {
	var parts []string
	for _, kind := range []record.ColumnKind{record.Coordinate, record.Derived, record.Measured} {
		for _, c := range v.columns {
			if c.Kind != kind {
				continue
			}
			switch cell, ok := v.last.Cells[c.Name]; {
			case cell.Overload:
				parts = append(parts, c.Name+" over range")
			case ok && !math.IsNaN(cell.SI):
				parts = append(parts, c.Name+" "+rounded(cell.SI, cell.U, c.Dim))
			}
		}
	}
	if status := v.last.Status(); status != record.StatusOK {
		parts = append([]string{status}, parts...)
	}
	return v.o.Progress.text(fmt.Sprintf("#%d  ", v.last.Number) + strings.Join(parts, "  "))
}

// rounded is a value with its unit, as far as its uncertainty lets it be known; four digits of one without.
func rounded(si, u float64, dim quantity.Dimension) string {
	s := report.ScaleFor(si, dim)
	if _, ok := s.Places(u); !ok {
		return quantity.Of(si, dim).Text(4)
	}
	value, _ := s.Numbers(si, u)
	return strings.TrimSpace(value + " " + s.Symbol)
}

// bar is how far the run has come.
func (v *View) bar(room int) string {
	s := v.o.Progress
	if v.planned <= 0 {
		return s.cut(fmt.Sprintf("%d points, %s", v.done, report.Lasted(v.clock.Since(v.started))), room)
	}
	text := fmt.Sprintf(" %d/%d", v.done, v.planned)
	if left, ok := v.left(); ok {
		if room >= 50 {
			text += ", about " + report.Lasted(left.Round(time.Second)) + " left"
		} else {
			text += " " + report.Lasted(left.Round(time.Second))
		}
	}
	if v.verdicts.Fail > 0 {
		text += fmt.Sprintf(", %d failed", v.verdicts.Fail)
	}
	size := min(40, room-cells(text)-2)
	if size < 4 {
		return s.cut(strings.TrimSpace(text), room)
	}
	full := min(size, size*v.done/v.planned)
	on, off := "#", "."
	if s.Unicode {
		on, off = "█", "░"
	}
	return "[" + strings.Repeat(on, full) + strings.Repeat(off, size-full) + "]" + s.cut(text, room-size-2)
}

// left is the time that the rest will take if it goes on as before.
func (v *View) left() (time.Duration, bool) {
	took := v.clock.Since(v.started)
	if v.done < 2 || v.done >= v.planned || took < time.Second {
		return 0, false
	}
	return time.Duration(float64(took) / float64(v.done) * float64(v.planned-v.done)), true
}

// End takes the live lines away and writes how the run ended to the results. Without a report it only tidies up.
func (v *View) End(r *report.Report) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.endGroup()
	if v.o.Progress.To != nil {
		v.clear()
	}
	v.last = nil
	if r != nil {
		Show(v.o.Results, r)
	}
}
