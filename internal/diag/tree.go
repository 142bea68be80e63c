package diag

import (
	"errors"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// Form is what a node is.
type Form uint8

// The forms of a node.
const (
	Scalar  Form = iota + 1 // a word, number or text; all kept as written
	Mapping                 // keys with values
	List                    // items
	Empty                   // nothing, "~" or "null"
)

// String names a form in a message.
func (f Form) String() string {
	return [...]string{"", "a single value", "keys with values", "a list", "nothing"}[f]
}

// Node is one value of a file, with its place.
type Node struct {
	Form    Form
	Text    string // of a scalar, without quotes
	Quoted  bool
	Place   Place
	Entries []Entry // of a mapping, in file order
	Items   []*Node // of a list
}

// Entry is one key of a mapping.
type Entry struct {
	Key   string
	Place Place // of the key
	Value *Node
}

// Get gives the value of a key, nil if it is absent or n is nil.
func (n *Node) Get(key string) *Node {
	if n == nil {
		return nil
	}
	for i := range n.Entries {
		if n.Entries[i].Key == key {
			return n.Entries[i].Value
		}
	}
	return nil
}

// Limits of what is read at all.
const (
	MaxFileBytes = 4 << 20
	maxDepth     = 64
)

// Parse reads one YAML document as a strict tree: no anchors, aliases, merges or tags, no key twice, plain values kept as
// written. A nil node means that nothing could be understood; the reason is among the findings.
func Parse(name string, data []byte, found *Findings) *Node {
	found.Source(name, data)
	whole := Place{File: name}
	if len(data) > MaxFileBytes {
		found.Add(whole, "the file has %d bytes, more than the limit of %d", len(data), MaxFileBytes)
		return nil
	}
	if depth, line := flowDepth(data); depth > maxDepth {
		found.Add(Place{File: name, Line: line}, "brackets are nested deeper than %d", maxDepth)
		return nil
	}
	file, err := parseBytes(data)
	if err != nil {
		p, text := whole, err.Error()
		var syntax *yaml.SyntaxError
		if errors.As(err, &syntax) {
			text = syntax.Message
			if syntax.Token != nil && syntax.Token.Position != nil {
				p.Line, p.Column = syntax.Token.Position.Line, syntax.Token.Position.Column
			}
		}
		found.Add(p, "this cannot be read as YAML: %s", strings.Split(text, "\n")[0])
		return nil
	}
	b := builder{name: name, found: found}
	var root *Node
	for _, doc := range file.Docs {
		if doc.Body == nil {
			continue
		}
		if root != nil {
			found.Add(b.node(doc.Body, 0).Place, "a second document begins here; one file holds one document")
			break
		}
		root = b.node(doc.Body, 0)
	}
	if root == nil && !found.Failed() {
		found.Add(whole, "the file is empty")
	}
	return root
}

// parseBytes keeps a fault of the YAML library from ending the program.
func parseBytes(data []byte) (file *ast.File, err error) {
	defer func() {
		if recover() != nil {
			file, err = nil, errors.New("the text confuses the YAML reader")
		}
	}()
	return parser.ParseBytes(data, 0, parser.AllowDuplicateMapKey())
}

// flowDepth is the deepest nesting of brackets, and a bound for indentation, with the line where it is reached. It does not
// know about quotes: text with more than maxDepth opening brackets in a row is no bench file either.
func flowDepth(data []byte) (deepest, line int) {
	depth, row := 0, 1
	for _, c := range data {
		switch c {
		case '\n':
			row++
		case '[', '{':
			depth++
			if depth > deepest {
				deepest, line = depth, row
			}
		case ']', '}':
			depth = max(0, depth-1)
		}
	}
	return deepest, line
}

type builder struct {
	name  string
	found *Findings
}

func (b *builder) place(n ast.Node) Place {
	p := Place{File: b.name}
	if t := n.GetToken(); t != nil && t.Position != nil {
		p.Line, p.Column = t.Position.Line, t.Position.Column
	}
	return p
}

func (b *builder) node(n ast.Node, depth int) *Node {
	p := b.place(n)
	if depth > maxDepth {
		b.found.Add(p, "values are nested deeper than %d", maxDepth)
		return &Node{Form: Empty, Place: p}
	}
	switch v := n.(type) {
	case *ast.MappingNode:
		return b.mapping(v.Values, p, depth)
	case *ast.MappingValueNode:
		return b.mapping([]*ast.MappingValueNode{v}, p, depth)
	case *ast.SequenceNode:
		out := &Node{Form: List, Place: p}
		for _, item := range v.Values {
			out.Items = append(out.Items, b.node(item, depth+1))
		}
		return out
	case *ast.NullNode:
		return &Node{Form: Empty, Place: p}
	case *ast.LiteralNode:
		return &Node{Form: Scalar, Text: v.Value.Value, Quoted: true, Place: p}
	case *ast.StringNode:
		return &Node{Form: Scalar, Text: v.Value, Quoted: v.Token.Type.String() != "String", Place: p}
	case *ast.AnchorNode, *ast.AliasNode, *ast.MergeKeyNode:
		b.found.AddHint(p, "write the value out, or give it a name in params", "anchors and aliases are not used here")
	case *ast.TagNode:
		b.found.Add(p, "tags such as %q are not used here", v.Start.Value)
	case ast.ScalarNode:
		return &Node{Form: Scalar, Text: v.GetToken().Value, Place: p}
	default:
		b.found.Add(p, "this kind of YAML is not used here")
	}
	return &Node{Form: Scalar, Place: p}
}

func (b *builder) mapping(values []*ast.MappingValueNode, p Place, depth int) *Node {
	out := &Node{Form: Mapping, Place: p}
	for i, mv := range values {
		key, ok := mv.Key.(ast.Node)
		if !ok {
			continue
		}
		place := b.place(key)
		if i == 0 {
			out.Place = place
		}
		scalar, ok := mv.Key.(ast.ScalarNode)
		if !ok {
			b.found.Add(place, "a key must be a plain word")
			continue
		}
		name := scalar.GetToken().Value
		if out.Get(name) != nil {
			b.found.Add(place, "%q stands here twice", name)
			continue
		}
		out.Entries = append(out.Entries, Entry{Key: name, Place: place, Value: b.node(mv.Value, depth+1)})
	}
	return out
}
