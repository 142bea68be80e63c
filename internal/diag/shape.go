package diag

import (
	"math"
	"strconv"
	"strings"
	"unicode"

	"fourwire/quantity"
)

// Kind is the sort of value that a [Type] stands for.
type Kind uint8

// The kinds of value.
const (
	KindText    Kind = iota + 1 // any text
	KindWord                    // one of Values
	KindWhole                   // a whole number from Low to High
	KindYesNo                   // yes or no
	KindAmount                  // a quantity of one of Dims (any where empty)
	KindSpan                    // a span of one of Dims (any where empty)
	KindExpr                    // an expression; its dimension is checked by whoever evaluates it
	KindList                    // a list of Elem
	KindMap                     // free names with Elem values
	KindStruct                  // the fields of Shape
	KindEither                  // one of Any, told apart by form first
	KindChoice                  // one of Shapes, told apart by a key
	KindVariant                 // one of Shapes, told apart by the value of the key Values[0]
)

// Type describes what a node may hold. Make one with [Text], [Word], [Amount] and so on.
type Type struct {
	Kind      Kind
	Dims      []quantity.Dimension
	Values    []string
	Low, High int
	Elem      *Type
	Shape     *Shape
	Any       []Type
	Shapes    *[]*Shape // for KindChoice and KindVariant
	Names     string    // for KindMap: what a name stands for, in words; for KindChoice and KindVariant: the family
}

// Shape is a mapping with known keys.
type Shape struct {
	Title  string // "a load step"
	About  string
	Fields []Field
}

// Field is one key of a [Shape].
type Field struct {
	Name     string
	Type     Type
	Required bool
	About    string // one sentence for the editor's tooltip
}

// Text is any text.
func Text() Type { return Type{Kind: KindText} }

// Word is one of some words.
func Word(values ...string) Type { return Type{Kind: KindWord, Values: values} }

// Whole is a whole number within limits.
func Whole(low, high int) Type { return Type{Kind: KindWhole, Low: low, High: high} }

// YesNo is yes or no.
func YesNo() Type { return Type{Kind: KindYesNo} }

// Amount is a quantity with its unit.
func Amount(dims ...quantity.Dimension) Type { return Type{Kind: KindAmount, Dims: dims} }

// SpanOf is a span such as 9..16 V.
func SpanOf(dims ...quantity.Dimension) Type { return Type{Kind: KindSpan, Dims: dims} }

// Expr is an expression.
func Expr() Type { return Type{Kind: KindExpr} }

// ListOf is a list.
func ListOf(elem Type) Type { return Type{Kind: KindList, Elem: &elem} }

// MapOf is a mapping with free names; names says what they stand for.
func MapOf(names string, elem Type) Type { return Type{Kind: KindMap, Elem: &elem, Names: names} }

// Struct is a mapping with known keys.
func Struct(s *Shape) Type { return Type{Kind: KindStruct, Shape: s} }

// Either is one of several types.
func Either(any ...Type) Type { return Type{Kind: KindEither, Any: any} }

// Keys lists the names of the fields.
func (s *Shape) Keys() []string {
	names := make([]string, len(s.Fields))
	for i, f := range s.Fields {
		names[i] = f.Name
	}
	return names
}

// Check compares a tree with its description and notes every difference. Where it returns true, reading the node by the
// description cannot meet a surprise.
func (t Type) Check(n *Node, found *Findings) bool {
	before := len(found.list)
	t.check(n, found)
	return !Failed(found.list[before:])
}

func (t Type) check(n *Node, found *Findings) {
	if n == nil {
		return
	}
	switch t.Kind {
	case KindStruct:
		if n.Form == Mapping {
			t.Shape.check(n, found)
			return
		}
	case KindChoice:
		if n.Form == Mapping {
			t.choose(n, found)
			return
		}
	case KindVariant:
		if n.Form == Mapping {
			t.vary(t.Names, n.Place, n, found)
			return
		}
	case KindMap:
		if n.Form == Mapping {
			for _, e := range n.Entries {
				if t.Elem.Kind == KindVariant && e.Value.Form == Mapping {
					t.Elem.vary(e.Key, e.Place, e.Value, found)
					continue
				}
				t.Elem.check(e.Value, found)
			}
			return
		}
	case KindList:
		if n.Form == List {
			for _, item := range n.Items {
				t.Elem.check(item, found)
			}
			return
		}
	case KindEither:
		t.either(n, found)
		return
	default:
		if n.Form == Scalar {
			if fault, hint := t.scalar(n.Text); fault != "" {
				found.AddHint(n.Place, hint, "%s", fault)
			}
			return
		}
	}
	found.Add(n.Place, "%s is wanted here, this is %s", t.Words(), n.Form)
}

// form is what a node of this type looks like.
func (t Type) form() Form {
	switch t.Kind {
	case KindStruct, KindMap, KindChoice, KindVariant:
		return Mapping
	case KindList:
		return List
	}
	return Scalar
}

// either takes the first alternative that fits; where none does, it reports on the first one of the node's form.
func (t Type) either(n *Node, found *Findings) {
	var same *Type
	for i := range t.Any {
		a := &t.Any[i]
		if a.Kind != KindEither && a.form() != n.Form {
			continue
		}
		var trial Findings
		a.check(n, &trial)
		if !trial.Failed() {
			a.check(n, found) // for its warnings
			return
		}
		if same == nil || better(a, same, n) {
			same = a
		}
	}
	if w := t.word(n); w != nil {
		fault, hint := w.scalar(n.Text)
		for _, other := range t.Any {
			if other.Kind == KindAmount || other.Kind == KindSpan || other.Kind == KindWhole {
				fault += ", and no " + strings.TrimPrefix(strings.TrimPrefix(other.Words(), "a "), "an ")
			}
		}
		found.AddHint(n.Place, hint, "%s", fault)
		return
	}
	if same != nil {
		same.check(n, found)
		return
	}
	found.Add(n.Place, "%s is wanted here, this is %s", t.Words(), n.Form)
}

// word is the alternative of words for a text that begins like one; nil: there is none.
func (t Type) word(n *Node) *Type {
	text := strings.TrimSpace(n.Text)
	if n.Form != Scalar || text == "" || !unicode.IsLetter([]rune(text)[0]) {
		return nil
	}
	for i := range t.Any {
		if t.Any[i].Kind == KindWord {
			return &t.Any[i]
		}
	}
	return nil
}

// better prefers the alternative that knows the node's first key.
func better(a, than *Type, n *Node) bool {
	if a.Kind != KindStruct || than.Kind != KindStruct || len(n.Entries) == 0 {
		return false
	}
	knows := func(s *Shape) int {
		count := 0
		for _, e := range n.Entries {
			for _, f := range s.Fields {
				if f.Name == e.Key {
					count++
				}
			}
		}
		return count
	}
	return knows(a.Shape) > knows(than.Shape)
}

func (s *Shape) check(n *Node, found *Findings) {
	for _, e := range n.Entries {
		field := s.field(e.Key)
		if field == nil {
			found.AddHint(e.Place, Suggest(e.Key, s.Keys()), "%s has no %q", s.Title, e.Key)
			continue
		}
		if e.Value.Form == Empty {
			found.Add(e.Place, "%q has no value", e.Key)
			continue
		}
		field.Type.check(e.Value, found)
	}
	for _, f := range s.Fields {
		if f.Required && n.Get(f.Name) == nil {
			found.Add(n.Place, "%s needs %q: %s", s.Title, f.Name, f.About)
		}
	}
}

func (s *Shape) field(name string) *Field {
	for i := range s.Fields {
		if s.Fields[i].Name == name {
			return &s.Fields[i]
		}
	}
	return nil
}

// scalar says what is wrong with a text, or nothing.
func (t Type) scalar(text string) (fault, hint string) {
	switch t.Kind {
	case KindWord:
		for _, v := range t.Values {
			if v == text {
				return "", ""
			}
		}
		return strconv.Quote(text) + " is none of " + strings.Join(t.Values, ", "), suggestClose(text, t.Values)
	case KindWhole:
		v, err := strconv.Atoi(strings.TrimSpace(text))
		if err != nil || v < t.Low || v > t.High {
			return strconv.Quote(text) + ": " + t.Words() + " is wanted here", ""
		}
	case KindYesNo:
		if _, ok := Yes(text); !ok {
			return strconv.Quote(text) + ": yes or no is wanted here", ""
		}
	case KindAmount:
		q, err := quantity.Parse(text)
		if err != nil {
			return err.Error(), ""
		}
		return t.dimension(text, q.Dim), ""
	case KindSpan:
		s, err := quantity.ParseSpan(text)
		if err != nil {
			return err.Error(), ""
		}
		return t.dimension(text, s.Dim), ""
	}
	return "", ""
}

func suggestClose(word string, known []string) string {
	if near, ok := Closest(word, known); ok {
		return "did you mean " + near + "?"
	}
	return ""
}

func (t Type) dimension(text string, dim quantity.Dimension) string {
	if len(t.Dims) == 0 {
		return ""
	}
	for _, d := range t.Dims {
		if d == dim {
			return ""
		}
	}
	if len(t.Dims) == 1 {
		if t.Kind == KindSpan {
			_, err := quantity.ParseSpanAs(text, t.Dims[0])
			return err.Error()
		}
		_, err := quantity.ParseAs(text, t.Dims[0])
		return err.Error()
	}
	return strconv.Quote(text) + ": " + t.Words() + " is wanted here, this is " + dim.Name()
}

// Yes reads yes, no, true, false, on and off.
func Yes(text string) (yes, ok bool) {
	switch text {
	case "yes", "true", "on":
		return true, true
	case "no", "false", "off":
		return false, true
	}
	return false, false
}

// Words says in words what the type is.
func (t Type) Words() string {
	switch t.Kind {
	case KindText:
		return "text"
	case KindWord:
		return "one of " + strings.Join(t.Values, ", ")
	case KindWhole:
		if t.High == math.MaxInt {
			return "a whole number from " + strconv.Itoa(t.Low)
		}
		return "a whole number from " + strconv.Itoa(t.Low) + " to " + strconv.Itoa(t.High)
	case KindYesNo:
		return "yes or no"
	case KindAmount, KindSpan:
		names := make([]string, len(t.Dims))
		for i, d := range t.Dims {
			names[i] = d.Name()
		}
		what := strings.Join(names, " or ")
		switch {
		case what == "" && t.Kind == KindSpan:
			return "a span such as 9..16 V"
		case what == "":
			return "a quantity with its unit"
		case t.Kind == KindSpan:
			return "a span of " + what
		}
		return what
	case KindExpr:
		return "an expression"
	case KindList:
		return "a list"
	case KindMap:
		return t.Names + " with values"
	case KindStruct:
		return t.Shape.Title
	case KindChoice, KindVariant:
		return t.Names
	case KindEither:
		words := make([]string, 0, len(t.Any))
		for _, a := range t.Any {
			words = append(words, a.Words())
		}
		return strings.Join(words, ", or ")
	}
	return "something else"
}
