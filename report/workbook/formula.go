package workbook

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"fourwire/quantity"
)

// formula is an expression that a spreadsheet can work out: names, numbers, + - * / ( ) and a few functions. Quantities have
// become plain numbers in SI units, as the cells are.
type formula struct {
	op    byte // 'n' number, 'c' cell, 'f' function, 'm' minus before, or + - * /
	value float64
	name  string // of the column or function
	args  []*formula
}

// sheetNames are the functions that mean the same in a spreadsheet, with the number of arguments they take there.
var sheetNames = map[string]struct {
	name        string
	least, most int
}{
	"abs": {"ABS", 1, 1}, "sqrt": {"SQRT", 1, 1}, "exp": {"EXP", 1, 1}, "ln": {"LN", 1, 1}, "log10": {"LOG10", 1, 1},
	"min": {"MIN", 2, 30}, "max": {"MAX", 2, 30}, "round": {"ROUND", 2, 2},
}

// maxDepth bounds what is read; nobody writes expressions that deep.
const maxDepth = 60

// parseFormula translates an expression of a sequence. isColumn knows the names that are columns. An error says what a
// spreadsheet cannot do.
func parseFormula(text string, isColumn func(string) bool) (*formula, error) {
	p := &parser{text: text, isColumn: isColumn}
	f, err := p.sum(0)
	if err != nil {
		return nil, err
	}
	p.space()
	if p.at < len(p.text) {
		return nil, fmt.Errorf("%q has no formula here", p.text[p.at:])
	}
	return f, nil
}

type parser struct {
	text     string
	at       int
	isColumn func(string) bool
}

func (p *parser) space() {
	for p.at < len(p.text) && (p.text[p.at] == ' ' || p.text[p.at] == '\t' || p.text[p.at] == '\n') {
		p.at++
	}
}

// take steps over one of the characters of set, if it comes next.
func (p *parser) take(set string) byte {
	p.space()
	if p.at < len(p.text) && strings.IndexByte(set, p.text[p.at]) >= 0 {
		p.at++
		return p.text[p.at-1]
	}
	return 0
}

func (p *parser) sum(depth int) (*formula, error) {
	return p.chain(depth, "+-", func() (*formula, error) {
		return p.chain(depth, "*/", func() (*formula, error) { return p.sign(depth + 1) })
	})
}

func (p *parser) chain(depth int, operators string, part func() (*formula, error)) (*formula, error) {
	left, err := part()
	if err != nil {
		return nil, err
	}
	for {
		op := p.take(operators)
		if op == 0 {
			return left, nil
		}
		if op == '*' && p.at < len(p.text) && p.text[p.at] == '*' {
			return nil, fmt.Errorf("powers have no formula here")
		}
		right, err := part()
		if err != nil {
			return nil, err
		}
		left = &formula{op: op, args: []*formula{left, right}}
	}
}

func (p *parser) sign(depth int) (*formula, error) {
	if depth > maxDepth {
		return nil, fmt.Errorf("the expression is nested too deeply")
	}
	switch p.take("+-") {
	case '+':
		return p.sign(depth + 1)
	case '-':
		f, err := p.sign(depth + 1)
		if err != nil {
			return nil, err
		}
		return &formula{op: 'm', args: []*formula{f}}, nil
	}
	if p.take("(") != 0 {
		f, err := p.sum(depth + 1)
		if err != nil {
			return nil, err
		}
		if p.take(")") == 0 {
			return nil, fmt.Errorf("a closing bracket is missing")
		}
		return f, nil
	}
	p.space()
	if p.at < len(p.text) && (p.text[p.at] >= '0' && p.text[p.at] <= '9' || p.text[p.at] == '.') {
		return p.literal()
	}
	return p.named(depth)
}

// named reads a column, or a function with its arguments.
func (p *parser) named(depth int) (*formula, error) {
	from := p.at
	for p.at < len(p.text) && isNamePart(p.text[p.at]) {
		p.at++
	}
	name := p.text[from:p.at]
	if name == "" {
		if from == len(p.text) {
			return nil, fmt.Errorf("the expression ends too early")
		}
		return nil, fmt.Errorf("%q has no formula here", p.text[from:])
	}
	if p.take("(") == 0 {
		if !p.isColumn(name) {
			return nil, fmt.Errorf("%s is no column", name)
		}
		return &formula{op: 'c', name: name}, nil
	}
	known, ok := sheetNames[name]
	if !ok {
		return nil, fmt.Errorf("%s(...) has no formula here", name)
	}
	f := &formula{op: 'f', name: name}
	for {
		arg, err := p.sum(depth + 1)
		if err != nil {
			return nil, err
		}
		f.args = append(f.args, arg)
		if p.take(",") == 0 {
			break
		}
	}
	if p.take(")") == 0 {
		return nil, fmt.Errorf("a closing bracket is missing")
	}
	if len(f.args) < known.least || len(f.args) > known.most {
		return nil, fmt.Errorf("%s with %d arguments has no formula here", name, len(f.args))
	}
	return f, nil
}

func isNamePart(c byte) bool {
	return c == '_' || c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
}

// literal reads a number and the unit behind it. The longest text that is a unit counts: in "3 V/io" the stroke divides.
func (p *parser) literal() (*formula, error) {
	from := p.at
	digits := func() {
		for p.at < len(p.text) && p.text[p.at] >= '0' && p.text[p.at] <= '9' {
			p.at++
		}
	}
	digits()
	if p.at < len(p.text) && p.text[p.at] == '.' {
		p.at++
		digits()
	}
	if p.at < len(p.text) && (p.text[p.at] == 'e' || p.text[p.at] == 'E') {
		before := p.at
		p.at++
		if p.at < len(p.text) && (p.text[p.at] == '+' || p.text[p.at] == '-') {
			p.at++
		}
		start := p.at
		if digits(); p.at == start {
			p.at = before
		}
	}
	number := p.text[from:p.at]
	rest := strings.TrimLeft(p.text[p.at:], " ")
	for _, end := range unitEnds(rest) {
		if q, err := quantity.Parse(number + " " + rest[:end]); err == nil {
			p.at = len(p.text) - len(rest) + end
			return &formula{op: 'n', value: q.SI}, nil
		}
	}
	x, err := strconv.ParseFloat(number, 64)
	if err != nil {
		return nil, fmt.Errorf("%q is no number", number)
	}
	return &formula{op: 'n', value: x}, nil
}

// unitEnds are the lengths at which a unit at the start of text may end, the longest first.
func unitEnds(text string) []int {
	if strings.HasPrefix(text, "%") {
		return []int{1}
	}
	var ends []int
	word := func(from int) int {
		at := from
		for at < len(text) {
			r, size := utf8.DecodeRuneInString(text[at:])
			if !unicode.IsLetter(r) && r != '°' && (at == from || r < '0' || r > '9') {
				break
			}
			at += size
		}
		return at
	}
	at := word(0)
	for at > 0 && len(ends) < 8 {
		ends = append([]int{at}, ends...)
		if at == len(text) || text[at] != '/' && text[at] != '.' {
			break
		}
		next := word(at + 1)
		if next == at+1 {
			break
		}
		at = next
	}
	return ends
}

// text writes the formula with cell as the way to name a column's cell. The brackets keep the order of operations, so that
// a spreadsheet rounds as the run did.
func (f *formula) text(cell func(column string) string) string {
	switch f.op {
	case 'n':
		return strings.ToUpper(strconv.FormatFloat(f.value, 'g', -1, 64))
	case 'c':
		return cell(f.name)
	case 'm':
		return "(-" + f.args[0].bracketed(cell, strings.IndexByte("+-*/", f.args[0].op) >= 0) + ")"
	case 'f':
		args := make([]string, len(f.args))
		for i, a := range f.args {
			args[i] = a.text(cell)
		}
		if f.name == "round" { // to a step, not to a number of places
			return "ROUND((" + args[0] + ")/(" + args[1] + "),0)*(" + args[1] + ")"
		}
		return sheetNames[f.name].name + "(" + strings.Join(args, ",") + ")"
	}
	high := f.op == '*' || f.op == '/'
	left, right := f.args[0], f.args[1]
	return left.bracketed(cell, high && (left.op == '+' || left.op == '-')) + string(f.op) +
		right.bracketed(cell, strings.IndexByte("+-*/", right.op) >= 0 && (high || right.op == '+' || right.op == '-'))
}

func (f *formula) bracketed(cell func(string) string, brackets bool) string {
	if brackets || f.op == 'f' && f.name == "round" {
		return "(" + f.text(cell) + ")"
	}
	return f.text(cell)
}

// eval works the formula out as a spreadsheet would.
func (f *formula) eval(cell func(column string) float64) float64 {
	var a, b float64
	if len(f.args) > 0 {
		a = f.args[0].eval(cell)
	}
	if len(f.args) > 1 {
		b = f.args[1].eval(cell)
	}
	switch f.op {
	case 'n':
		return f.value
	case 'c':
		return cell(f.name)
	case 'm':
		return -a
	case '+':
		return a + b
	case '-':
		return a - b
	case '*':
		return a * b
	case '/':
		return a / b
	}
	switch f.name {
	case "abs":
		return math.Abs(a)
	case "sqrt":
		return math.Sqrt(a)
	case "exp":
		return math.Exp(a)
	case "ln":
		return math.Log(a)
	case "log10":
		return math.Log10(a)
	case "round":
		return math.Round(a/b) * b
	}
	for _, arg := range f.args[1:] { // min and max
		if x := arg.eval(cell); f.name == "min" {
			a = math.Min(a, x)
		} else {
			a = math.Max(a, x)
		}
	}
	return a
}
