package expr

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// Bounds of one expression.
const (
	maxLength = 1000 // bytes
	maxDepth  = 32   // parentheses inside each other
)

// scanner makes a text ready for the library's parser: quantities and nodes become the names $0, $1..., everything that a
// sequence does not use is refused here with a place, and at maps what it writes back to where it came from.
type scanner struct {
	e     *Expr
	found *diag.Findings
	text  string
	pos   int

	out    []byte // ASCII only
	at     []int  // for each byte of out, its offset in text
	cut    []*node
	open   []bracket
	filled bool // the last token ends a value, so that an operator may follow
	sign   int  // 1 + index in out of a sign that has no value before it, if that was the last token; 0: none
	failed bool
}

type bracket struct {
	at   int
	call bool
}

func (s *scanner) fault(at int, hint, format string, args ...any) {
	s.failed = true
	s.found.AddHint(s.e.place(at), hint, format, args...)
}

// write puts a token and a space, which keeps the library from joining operators.
func (s *scanner) write(token string, at int) {
	for range len(token) + 1 {
		s.at = append(s.at, at)
	}
	s.out = append(append(s.out, token...), ' ')
}

// hole puts a placeholder for something cut out.
func (s *scanner) hole(n *node) {
	s.write(fmt.Sprintf("$%d", len(s.cut)), n.at)
	s.cut = append(s.cut, n)
}

// scan runs through the whole text and stops at the first fault.
func (s *scanner) scan() bool {
	if len(s.text) > maxLength {
		s.fault(0, "name parts of it in derive", "an expression of %d characters is longer than the limit of %d", len(s.text), maxLength)
		return false
	}
	if strings.TrimSpace(s.text) == "" {
		s.fault(0, "", "an expression is wanted here")
		return false
	}
	for s.pos < len(s.text) && !s.failed {
		s.token()
	}
	switch {
	case s.failed:
	case len(s.open) > 0:
		s.fault(s.open[len(s.open)-1].at, "inside { } or [ ] an expression with a comma must stand in quotes", "this parenthesis is not closed")
	case !s.filled:
		s.fault(len(strings.TrimRight(s.text, " \t\r\n")), "", "a value is missing at the end")
	}
	return !s.failed
}

func (s *scanner) token() {
	c := s.text[s.pos]
	switch {
	case c == ' ' || c == '\t' || c == '\n' || c == '\r':
		s.pos++
	case isDigit(c) || c == '.' && s.pos+1 < len(s.text) && isDigit(s.text[s.pos+1]):
		s.literal()
	case isLetter(c):
		s.word()
	case c == '(':
		s.bracket(false)
	case c == ')':
		s.closing()
	case c == ',':
		s.comma()
	default:
		s.operator()
	}
}

// value is called before a value is written.
func (s *scanner) value(what string) bool {
	if s.filled {
		s.fault(s.pos, "", "an operator is missing before %s", what)
		return false
	}
	s.filled = true
	return true
}

func (s *scanner) bracket(call bool) {
	if !call && s.filled {
		s.fault(s.pos, "", "an operator is missing before the parenthesis")
		return
	}
	if len(s.open) == maxDepth {
		s.fault(s.pos, "name parts of it in derive", "parentheses are nested deeper than %d", maxDepth)
		return
	}
	s.open = append(s.open, bracket{s.pos, call})
	s.write("(", s.pos)
	s.filled, s.sign = false, 0
	s.pos++
}

func (s *scanner) closing() {
	switch {
	case len(s.open) == 0:
		s.fault(s.pos, "inside { } or [ ] an expression with a comma must stand in quotes", "no parenthesis is open here")
		return
	case !s.filled:
		s.fault(s.pos, "", "a value is missing before this parenthesis")
		return
	}
	s.open = s.open[:len(s.open)-1]
	s.write(")", s.pos)
	s.sign = 0
	s.pos++
}

func (s *scanner) comma() {
	switch {
	case len(s.open) == 0 || !s.open[len(s.open)-1].call:
		s.fault(s.pos, "a decimal point is a point", "a comma only parts the arguments of a function")
		return
	case !s.filled:
		s.fault(s.pos, "", "a value is missing before this comma")
		return
	}
	s.write(",", s.pos)
	s.filled, s.sign = false, 0
	s.pos++
}

// operators that are let through; the longer come first.
var operators = []string{"**", "<=", ">=", "==", "!=", "+", "-", "*", "/", "^", "<", ">"}

// refused are signs with a remark of their own.
var refused = []struct{ sign, text, hint string }{
	{"//", "\"//\" is no operator", "one stroke divides"}, {"/*", "\"/*\" is no operator", "one stroke divides"},
	{"&&", "\"&&\" is no operator", "write and"}, {"||", "\"||\" is no operator", "write or"}, {"!", "\"!\" is no operator", "write not"},
	{"=", "\"=\" is no operator", "== compares"}, {"%", "a percent sign follows a number, as in 88 %; there is no modulo", ""},
	{"..", "a span has no place in an expression", "compare with both ends, as in 9 V <= vin <= 16 V"},
	{"≤", "\"≤\" is no operator", "write <="}, {"≥", "\"≥\" is no operator", "write >="}, {"≠", "\"≠\" is no operator", "write !="},
	{"·", "\"·\" is no operator", "write *"}, {"×", "\"×\" is no operator", "write *"}, {"−", "this is a typographic minus", "write -"},
}

func (s *scanner) operator() {
	rest := s.text[s.pos:]
	for _, r := range refused {
		if strings.HasPrefix(rest, r.sign) && !strings.HasPrefix(rest, "==") && !strings.HasPrefix(rest, "!=") {
			s.fault(s.pos, r.hint, "%s", r.text)
			return
		}
	}
	for _, o := range operators {
		if !strings.HasPrefix(rest, o) {
			continue
		}
		signs := o == "-" || o == "+"
		switch {
		case !s.filled && !signs:
			s.fault(s.pos, "", "a value is missing before %q", o)
			return
		case !s.filled && s.sign > 0:
			s.fault(s.pos, "", "two signs stand here in a row")
			return
		}
		s.sign = 0
		if !s.filled {
			s.sign = len(s.out) + 1
		}
		s.write(o, s.pos)
		s.filled = false
		s.pos += len(o)
		return
	}
	_, size := utf8.DecodeRuneInString(rest)
	s.fault(s.pos, "", "%q has no place in an expression", rest[:size])
}

// strangers are words of the library's language that a sequence does not use.
var strangers = []string{"in", "matches", "contains", "startsWith", "endsWith", "let", "if", "else", "true", "false", "nil"}

func (s *scanner) word() {
	from := s.pos
	end := from
	for end < len(s.text) && (isLetter(s.text[end]) || isDigit(s.text[end])) {
		end++
	}
	word := s.text[from:end]
	if r, size := utf8.DecodeRuneInString(s.text[end:]); size > 1 && unicode.IsLetter(r) {
		s.fault(end, "", "a name is made of the letters a to z, digits and underscores")
		return
	}
	next := strings.TrimLeft(s.text[end:], " \t\r\n")
	switch {
	case word == "and" || word == "or":
		if !s.filled {
			s.fault(from, "", "a value is missing before %q", word)
			return
		}
		s.write(word, from)
		s.filled, s.sign = false, 0
	case word == "not":
		if s.filled {
			s.fault(from, "", "an operator is missing before \"not\"")
			return
		}
		s.write(word, from)
		s.sign = 0
	case contains(strangers, word):
		s.fault(from, "", "%q is no name and no operator here", word)
	case strings.HasPrefix(next, "(") && (word == "v" || word == "i"):
		s.reference(word, len(s.text)-len(next))
		return
	case strings.HasPrefix(next, "("):
		if _, known := functions[word]; !known {
			s.fault(from, diag.Suggest(word, functionNames()), "there is no function %q", word)
			return
		}
		if !s.value("\"" + word + "\"") {
			return
		}
		s.write(word, from)
		s.pos = len(s.text) - len(next)
		s.bracket(true)
		return
	case len(next) == len(s.text)-end && len(next) > 1 && next[0] == '.' && isLetter(next[1]):
		whole := nodeAt(s.text[from:])
		s.fault(from, fmt.Sprintf("v(%s) or i(%s) reads it", whole, whole), "%q is a node, not a value", whole)
		return
	default:
		if !s.value("\"" + word + "\"") {
			return
		}
		s.write(word, from)
		s.sign = 0
	}
	s.pos = end
}

// reference reads "v(dut.out)" whose parenthesis is at open.
func (s *scanner) reference(function string, open int) {
	from := s.pos
	if !s.value("\"" + function + "\"") {
		return
	}
	rest := s.text[open+1:]
	trimmed := strings.TrimLeft(rest, " ")
	name := nodeAt(trimmed)
	after := strings.TrimLeft(trimmed[len(name):], " ")
	if name == "" || !strings.HasPrefix(after, ")") {
		s.fault(open+1+len(rest)-len(trimmed), "", "%s( ) reads one node, as in %s(dut.out)", function, function)
		return
	}
	s.hole(&node{op: opNode, at: from, node: NodeRef{Function: function, Node: name}})
	s.sign = 0
	s.pos = len(s.text) - len(after) + 1
}

// nodeAt is the node name at the start of a text: words of letters, digits, underscores and hyphens, joined by points.
func nodeAt(text string) string {
	end := 0
	for end < len(text) && (isLetter(text[end]) || isDigit(text[end]) || text[end] == '-' || text[end] == '.') {
		end++
	}
	return strings.TrimRight(text[:end], ".-")
}

// ValidNode tells whether a name can stand for a node: words of letters, digits, underscores and hyphens, joined by points.
func ValidNode(name string) bool {
	return name != "" && nodeAt(name) == name && isLetter(name[0]) && !strings.Contains(name, "..")
}

// ValidName says why a word cannot be a name of a value; it gives nothing where it can.
func ValidName(word string) (why string) {
	for i := range len(word) {
		if !isLetter(word[i]) && (i == 0 || !isDigit(word[i])) {
			return "a name is made of the letters a to z, digits and underscores, with a letter first"
		}
	}
	_, function := functions[word]
	switch {
	case word == "" || len(word) > 64:
		return "a name has from 1 to 64 letters"
	case function:
		return "this is the name of a function"
	case word == "and" || word == "or" || word == "not" || contains(strangers, word):
		return "this word has a meaning of its own in expressions"
	}
	return ""
}

// literal reads a number with the unit behind it.
func (s *scanner) literal() {
	from := s.pos
	numberEnd := from + digits(s.text[from:])
	number := s.text[from:numberEnd]
	if !s.value(number) {
		return
	}
	n := &node{op: opLiteral, at: from, bare: true}
	symbol, end := s.symbol(number, numberEnd)
	if symbol != "" {
		n.bare = false
	}
	if strings.HasSuffix(symbol, "C") && s.sign > 0 && isCelsius(symbol) {
		// -5 degC is a temperature of its own, not the negative of 5 degC
		sign := s.out[s.sign-1]
		s.out, s.at = s.out[:s.sign-1], s.at[:s.sign-1]
		number = string(sign) + number
	}
	q, err := quantity.Parse(strings.TrimSpace(number + " " + symbol))
	if err != nil {
		hint := ""
		if strings.Contains(err.Error(), "unknown unit") && !strings.HasSuffix(err.Error(), "?") {
			hint = "a number and a name are joined by an operator, as in " + number + " * " + symbol
		}
		s.fault(from, hint, "%s", err)
		return
	}
	n.quantity = q
	s.hole(n)
	s.sign = 0
	s.pos = end
}

func isCelsius(symbol string) bool { return symbol == "degC" || symbol == "°C" }

// symbol finds the unit behind a number that ends at end: the longest that can be read, since in "3 V/io" the stroke may
// divide. Nothing that looks like a unit gives an empty symbol.
func (s *scanner) symbol(number string, end int) (symbol string, after int) {
	rest := strings.TrimLeft(s.text[end:], " ")
	start := len(s.text) - len(rest)
	if strings.HasPrefix(rest, "%") {
		return "%", start + 1
	}
	length := unitWord(rest)
	first := rest[:length]
	if length == 0 || first == "and" || first == "or" || first == "not" || contains(strangers, first) {
		return "", end
	}
	ends := []int{length}
	for length < len(rest) && (rest[length] == '/' || rest[length] == '.') {
		more := unitWord(rest[length+1:])
		if more == 0 {
			break
		}
		length += 1 + more
		ends = append(ends, length)
	}
	for i := len(ends) - 1; i >= 0; i-- {
		if _, err := quantity.Parse(number + " " + rest[:ends[i]]); err == nil {
			return rest[:ends[i]], start + ends[i]
		}
	}
	return first, start + len(first)
}

// unitWord is the length of the unit symbol at the start of a text, with a power behind it.
func unitWord(text string) int {
	end := 0
	for end < len(text) {
		r, size := utf8.DecodeRuneInString(text[end:])
		if !unicode.IsLetter(r) && r != '°' && r != '_' && (end == 0 || r < '0' || r > '9') {
			break
		}
		end += size
	}
	return end
}

// digits is the length of the number at the start of a text.
func digits(text string) int {
	i := 0
	run := func() {
		for i < len(text) && isDigit(text[i]) {
			i++
		}
	}
	run()
	if i < len(text) && text[i] == '.' && !strings.HasPrefix(text[i:], "..") {
		i++
		run()
	}
	if i < len(text) && (text[i] == 'e' || text[i] == 'E') {
		from := i
		i++
		if i < len(text) && (text[i] == '+' || text[i] == '-') {
			i++
		}
		if i == len(text) || !isDigit(text[i]) {
			return from
		}
		run()
	}
	return i
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }
func isLetter(c byte) bool {
	return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '_'
}
