package expr

import "strings"

// Sides takes a comparison apart, for a verdict: "efficiency >= 88 %" gives efficiency, 88 % and ">=". ok is false where
// the expression is no single comparison.
func (e *Expr) Sides() (left, right *Expr, op string, ok bool) {
	n := e.root
	if !n.op.compares() {
		return nil, nil, "", false
	}
	lo, hi := strip(e.source().Text, e.offset, e.offset+len(e.Text))
	return e.part(n.args[0], lo, n.at), e.part(n.args[1], n.at+len(symbols[n.op]), hi), symbols[n.op], true
}

// Limits takes a condition apart at each "and": "4.9 V <= vo <= 5.1 V" gives "4.9 V <= vo" and "vo <= 5.1 V".
func (e *Expr) Limits() []*Expr {
	return e.limits(e.root, e.offset, e.offset+len(e.Text))
}

func (e *Expr) limits(n *node, lo, hi int) []*Expr {
	text := e.source().Text
	lo, hi = strip(text, lo, hi)
	if n.op != opAnd {
		return []*Expr{e.part(n, lo, hi)}
	}
	left, right := n.args[0], n.args[1]
	if strings.HasPrefix(text[n.at:], "and") {
		return append(e.limits(left, lo, n.at), e.limits(right, n.at+len("and"), hi)...)
	}
	// a chain: the middle belongs to both comparisons
	last := left
	if left.op == opAnd {
		last = left.args[1]
	}
	return append(e.limits(left, lo, n.at), e.part(right, last.at+len(symbols[last.op]), hi))
}

// part is a piece of the text as an expression of its own; its places still count in the whole.
func (e *Expr) part(n *node, lo, hi int) *Expr {
	whole := e.source()
	lo, hi = strip(whole.Text, lo, hi)
	p := &Expr{Text: whole.Text[lo:hi], Place: whole.place(lo), root: n, whole: whole, offset: lo}
	p.compile()
	return p
}

// strip leaves out spaces and parentheses around all of text[lo:hi].
func strip(text string, lo, hi int) (int, int) {
	for {
		for lo < hi && strings.IndexByte(" \t\r\n", text[lo]) >= 0 {
			lo++
		}
		for lo < hi && strings.IndexByte(" \t\r\n", text[hi-1]) >= 0 {
			hi--
		}
		if lo >= hi || text[lo] != '(' || closes(text, lo) != hi-1 {
			return lo, hi
		}
		lo, hi = lo+1, hi-1
	}
}

// closes is the offset of the parenthesis that closes the one at open.
func closes(text string, open int) int {
	depth := 0
	for i := open; i < len(text); i++ {
		switch text[i] {
		case '(':
			depth++
		case ')':
			if depth--; depth == 0 {
				return i
			}
		}
	}
	return -1
}
