package expr

import "fourwire/quantity"

// op is what a node of the tree does.
type op uint8

const (
	opLiteral op = iota + 1
	opName
	opNode
	opNegate
	opAdd
	opSubtract
	opMultiply
	opDivide
	opPower
	opCall
	opLess // from here on: conditions
	opLessOrEqual
	opGreater
	opGreaterOrEqual
	opEqual
	opNotEqual
	opAnd
	opOr
	opNot
)

var symbols = [...]string{
	opNegate: "-", opAdd: "+", opSubtract: "-", opMultiply: "*", opDivide: "/", opPower: "^", opLess: "<", opLessOrEqual: "<=",
	opGreater: ">", opGreaterOrEqual: ">=", opEqual: "==", opNotEqual: "!=", opAnd: "and", opOr: "or", opNot: "not",
}

func (o op) givesTruth() bool { return o >= opLess }
func (o op) compares() bool   { return o >= opLess && o <= opNotEqual }

// node is one part of an expression's tree.
type node struct {
	op       op
	at       int    // offset in the text: of an operator, the operator
	name     string // of a name or a call
	node     NodeRef
	quantity quantity.Quantity // of a literal
	bare     bool              // a literal without a unit
	args     []*node
}

func (n *node) walk(visit func(*node)) {
	visit(n)
	for _, a := range n.args {
		a.walk(visit)
	}
}
