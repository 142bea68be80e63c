// Package expr gives the expressions of a sequence: arithmetic, comparisons and functions over quantities, checked for
// dimensions when a file is read, evaluated over measured values so that uncertainty comes along.
package expr

import (
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
	// Column gives a name's value at each point, in the order measured; NaN where a point has none.
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

// Expr is an expression that has been read. It does not change and may be evaluated by several goroutines at once.
type Expr struct {
	Text  string
	Place diag.Place
}

// Parse reads an expression that stands at place. It gives nil, and findings whose columns point into the text, when it
// cannot be read.
func Parse(text string, place diag.Place, found *diag.Findings) *Expr {
	return &Expr{Text: text, Place: place}
}

// Constant is the expression of one quantity.
func Constant(q quantity.Quantity) *Expr { return &Expr{Text: q.Text(12)} }

// Check finds the expression's type in a scope; it notes every fault and says false where there is one.
func (e *Expr) Check(s Scope, found *diag.Findings) (Type, bool) { return Type{}, false }

// Names lists the names that the expression uses, each once, in order of appearance.
func (e *Expr) Names() []string { return nil }

// Nodes lists the nodes that the expression reads, each once, in order of appearance.
func (e *Expr) Nodes() []NodeRef { return nil }

// Eval works the expression out. A name without a value, a result that is no finite number and a function that has no
// answer are errors with their place (a [diag.Finding]).
func (e *Expr) Eval(env Env) (Result, error) { return Result{}, nil }

// Sides takes a comparison apart; ok is false where the expression is none.
func (e *Expr) Sides() (left, right *Expr, op string, ok bool) { return nil, nil, "", false }
