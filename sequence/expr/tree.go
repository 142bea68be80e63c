package expr

import (
	"errors"
	"strconv"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser"

	"fourwire/internal/diag"
)

// read makes the tree of an expression; nil, with findings, where the text is none.
func read(e *Expr, found *diag.Findings) *node {
	s := scanner{e: e, found: found, text: e.Text}
	if !s.scan() {
		return nil
	}
	tree, err := parse(string(s.out))
	if err != nil {
		at := len(e.Text)
		var located *file.Error
		if errors.As(err, &located) && located.From < len(s.at) {
			at = s.at[located.From]
		}
		s.fault(at, "", "the expression cannot be read from here on")
		return nil
	}
	root := s.tree(tree)
	if s.failed {
		return nil
	}
	return root
}

// parse keeps a fault of the library from ending the program.
func parse(text string) (root ast.Node, err error) {
	defer func() {
		if recover() != nil {
			root, err = nil, errors.New("the text confuses the expression reader")
		}
	}()
	tree, err := parser.Parse(text)
	if err != nil {
		return nil, err
	}
	return tree.Node, nil
}

var binaries = map[string]op{
	"+": opAdd, "-": opSubtract, "*": opMultiply, "/": opDivide, "^": opPower, "**": opPower, "<": opLess, "<=": opLessOrEqual,
	">": opGreater, ">=": opGreaterOrEqual, "==": opEqual, "!=": opNotEqual, "and": opAnd, "&&": opAnd, "or": opOr,
}

// tree takes over what a sequence uses of the library's tree.
func (s *scanner) tree(from ast.Node) *node {
	if s.failed {
		return &node{op: opLiteral}
	}
	at := 0
	if from != nil && from.Location().From < len(s.at) {
		at = s.at[from.Location().From]
	}
	switch n := from.(type) {
	case *ast.IdentifierNode:
		if n.Value[0] != '$' {
			return &node{op: opName, at: at, name: n.Value}
		}
		if i, err := strconv.Atoi(n.Value[1:]); err == nil && i < len(s.cut) {
			return s.cut[i]
		}
	case *ast.UnaryNode:
		switch n.Operator {
		case "+":
			return s.number(n.Node, at, "+")
		case "-":
			return &node{op: opNegate, at: at, args: []*node{s.number(n.Node, at, "-")}}
		case "not":
			return &node{op: opNot, at: at, args: []*node{s.condition(n.Node, at, "not")}}
		}
	case *ast.BinaryNode:
		o, ok := binaries[n.Operator]
		side := s.number
		if o == opAnd || o == opOr {
			side = s.condition
		}
		if ok {
			return &node{op: o, at: at, args: []*node{side(n.Left, at, symbols[o]), side(n.Right, at, symbols[o])}}
		}
	case *ast.PredicateNode:
		return s.tree(n.Node)
	case *ast.CallNode:
		if callee, ok := n.Callee.(*ast.IdentifierNode); ok {
			return s.call(callee.Value, at, n.Arguments)
		}
	case *ast.BuiltinNode:
		return s.call(n.Name, at, n.Arguments)
	}
	if !s.failed {
		s.fault(at, "", "this has no place in an expression")
	}
	return &node{op: opLiteral, at: at}
}

func (s *scanner) call(name string, at int, arguments []ast.Node) *node {
	n := &node{op: opCall, at: at, name: name}
	for _, a := range arguments {
		n.args = append(n.args, s.number(a, at, name))
	}
	return n
}

// number takes over an operand that must be a number. What is a condition is refused before it is looked into: in a chain
// such as a < b < c the library hands out b twice, and nested chains would double without end.
func (s *scanner) number(from ast.Node, at int, who string) *node {
	if !s.failed && givesTruth(from) {
		hint := ""
		if not, ok := from.(*ast.UnaryNode); ok && not.Operator == "not" {
			hint = tightly
		}
		s.fault(at, hint, "%q works on numbers, this is a condition", who)
	}
	return s.tree(from)
}

func (s *scanner) condition(from ast.Node, at int, who string) *node {
	if !s.failed && !givesTruth(from) {
		hint := ""
		if who == "not" {
			hint = tightly
		}
		s.fault(at, hint, "%q joins conditions such as vo > 5 V; this is a number", who)
	}
	return s.tree(from)
}

const tightly = "not binds tightly: write not (vo > 5 V)"

func givesTruth(from ast.Node) bool {
	switch n := from.(type) {
	case *ast.UnaryNode:
		return n.Operator == "not"
	case *ast.BinaryNode:
		return binaries[n.Operator].givesTruth()
	}
	return false
}
