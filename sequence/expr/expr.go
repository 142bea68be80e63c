package expr

import (
	"unicode/utf8"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// Type is what an expression gives: a truth value, or a number of a dimension.
type Type struct {
	Truth  bool
	Dim    quantity.Dimension
	Column bool // one value for each point: only in a summary
	Any    bool // not known because of a fault that is already reported; fits everywhere
}

// Number is the type of a number of a dimension.
func Number(dim quantity.Dimension) Type { return Type{Dim: dim} }

// String says the type in words: "voltage", "a condition".
func (t Type) String() string {
	switch {
	case t.Any:
		return "something unknown"
	case t.Truth:
		return "a condition"
	case t.Column:
		return "a column of " + t.Dim.Name()
	}
	return t.Dim.Name()
}

// Scope is what is known where an expression stands, for checking it.
type Scope interface {
	// Lookup gives the type of a name.
	Lookup(name string) (Type, bool)
	// Known lists the names, for the closest one to a name that is not known.
	Known() []string
	// Node says why v(node) or i(node) cannot be read here; nil where it can.
	Node(function, node string) error
}

// Env gives values while a sequence runs.
type Env interface {
	// Value gives the value of a name now.
	Value(name string) (measured.Value, bool)
	// Node reads a node now.
	Node(function, node string) (measured.Value, error)
	// Column gives a name's value at each point, in the order measured; NaN where a point has none. All columns have
	// one length.
	Column(name string) ([]measured.Value, bool)
}

// Result is what an expression came to.
type Result struct {
	Value measured.Value // of a number
	Truth bool           // of a condition
}

// NodeRef is one v(node) or i(node) of an expression.
type NodeRef struct {
	Function string // "v" or "i"
	Node     string
}

// String is the reference as written in a sequence: "v(dut.out)".
func (n NodeRef) String() string { return n.Function + "(" + n.Node + ")" }

// Expr is an expression that has been read. It does not change and may be evaluated by several goroutines at once.
type Expr struct {
	Text  string     // as written
	Place diag.Place // where Text begins; column 0: it is not on one line as it stands

	root   *node
	whole  *Expr // what this was cut from; places are counted there; nil: itself
	offset int   // where Text begins in the text of whole
	value  number
	truth  condition
}

// Parse reads an expression that begins at place. It gives nil, and findings whose columns point into the text, when the
// text cannot be read.
func Parse(text string, place diag.Place, found *diag.Findings) *Expr {
	e := &Expr{Text: text, Place: place}
	if e.root = read(e, found); e.root == nil {
		return nil
	}
	e.compile()
	return e
}

// Constant is the expression of one quantity.
func Constant(q quantity.Quantity) *Expr {
	e := &Expr{Text: q.Text(12), root: &node{op: opLiteral, quantity: q}}
	e.compile()
	return e
}

// Condition tells whether the expression gives a truth value rather than a number.
func (e *Expr) Condition() bool { return e.root.op.givesTruth() }

// Name is the name where the expression is nothing but a name.
func (e *Expr) Name() (name string, ok bool) { return e.root.name, e.root.op == opName }

// Names lists the names that the expression uses, each once, in order of appearance.
func (e *Expr) Names() []string { return e.root.names() }

// Nodes lists the nodes that the expression reads, each once, in order of appearance.
func (e *Expr) Nodes() []NodeRef {
	var out []NodeRef
	e.root.walk(func(n *node) {
		if n.op == opNode && !contains(out, n.node) {
			out = append(out, n.node)
		}
	})
	return out
}

func contains[T comparable](list []T, one T) bool {
	for _, x := range list {
		if x == one {
			return true
		}
	}
	return false
}

// place is where the byte at offset at of the text stands in the file.
func (e *Expr) place(at int) diag.Place {
	e = e.source()
	p := e.Place
	if p.Column > 0 {
		p.Column += utf8.RuneCountInString(e.Text[:min(at, len(e.Text))])
	}
	return p
}

// source is the expression as it stands in the file.
func (e *Expr) source() *Expr {
	if e.whole != nil {
		return e.whole
	}
	return e
}

// Node is the node where the expression is nothing but v(node) or i(node).
func (e *Expr) Node() (ref NodeRef, ok bool) { return e.root.node, e.root.op == opNode }

// Products calls visit for each product and quotient with the names on its left and on its right.
func (e *Expr) Products(visit func(left, right []string)) {
	e.root.walk(func(n *node) {
		if n.op == opMultiply || n.op == opDivide {
			visit(n.args[0].names(), n.args[1].names())
		}
	})
}

func (n *node) names() []string {
	var out []string
	n.walk(func(m *node) {
		if m.op == opName && !contains(out, m.name) {
			out = append(out, m.name)
		}
	})
	return out
}
