package diag

import "strings"

// Choice is a mapping that is one of several shapes, told apart by the key that comes first in each shape: a step with the
// key "load" is a load step. title names the family, "a step". The shapes may hold the choice itself.
func Choice(title string, shapes *[]*Shape) Type {
	return Type{Kind: KindChoice, Names: title, Shapes: shapes}
}

// Pick gives the shape that a mapping claims to be, by the first of its keys that stands for one.
func (t Type) Pick(n *Node) *Shape {
	for _, e := range n.Entries {
		for _, s := range *t.Shapes {
			if s.Fields[0].Name == e.Key {
				return s
			}
		}
	}
	return nil
}

func (t Type) choose(n *Node, found *Findings) {
	if s := t.Pick(n); s != nil {
		s.check(n, found)
		return
	}
	keys := make([]string, 0, len(*t.Shapes))
	for _, s := range *t.Shapes {
		keys = append(keys, s.Fields[0].Name)
	}
	for _, e := range n.Entries {
		if near, ok := Closest(e.Key, keys); ok {
			found.AddHint(e.Place, "did you mean "+near+"?", "%q is no kind of %s", e.Key, bareTitle(t.Names))
			return
		}
	}
	found.Add(n.Place, "%s has one of the keys %s", t.Names, strings.Join(keys, ", "))
}

func bareTitle(title string) string {
	return strings.TrimPrefix(strings.TrimPrefix(title, "a "), "an ")
}

// Variant is a mapping that is one of several shapes, told apart by the value of a key, which comes first in each shape and takes one word:
// a device of the kind "buck". title names the family, "a device".
func Variant(title, key string, shapes []*Shape) Type {
	return Type{Kind: KindVariant, Names: title, Values: []string{key}, Shapes: &shapes}
}

// vary checks a mapping by the shape that it claims to be; name and place are those of who needs the key where it is missing.
func (t Type) vary(name string, place Place, n *Node, found *Findings) {
	key := t.Values[0]
	words := make([]string, 0, len(*t.Shapes))
	said := n.Get(key)
	for _, s := range *t.Shapes {
		word := s.Fields[0].Type.Values[0]
		if said != nil && said.Form == Scalar && said.Text == word {
			s.check(n, found)
			return
		}
		words = append(words, word)
	}
	if said == nil {
		found.Add(place, "%s needs %q: one of %s", name, key, strings.Join(words, ", "))
		return
	}
	Word(words...).check(said, found)
}
