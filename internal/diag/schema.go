package diag

import (
	"encoding/json"
	"math"
	"strings"
)

// Schema gives the JSON Schema (draft 2020-12) of a file whose root is t, for editors that complete and check YAML by it.
// Quantities are strings there; their units are checked by the program, not by the schema.
func Schema(id, title string, t Type) ([]byte, error) {
	s := schemaWriter{defs: map[string]any{}, seen: map[*Shape]string{}}
	root := s.of(t)
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["$id"] = id
	root["title"] = title
	if len(s.defs) > 0 {
		root["$defs"] = s.defs
	}
	return json.MarshalIndent(root, "", "  ")
}

type schemaWriter struct {
	defs map[string]any
	seen map[*Shape]string
}

func (s *schemaWriter) of(t Type) map[string]any {
	switch t.Kind {
	case KindWord:
		values := make([]any, 0, len(t.Values))
		for _, v := range t.Values {
			values = append(values, v)
		}
		return map[string]any{"enum": values}
	case KindWhole:
		out := map[string]any{"type": "integer", "minimum": t.Low}
		if t.High != math.MaxInt {
			out["maximum"] = t.High
		}
		return out
	case KindYesNo:
		return map[string]any{"enum": []any{"yes", "no", "on", "off", true, false}}
	case KindText, KindExpr, KindAmount, KindSpan:
		out := map[string]any{"type": []any{"string", "number", "boolean"}}
		if t.Kind != KindText {
			out["description"] = t.Words()
		}
		return out
	case KindList:
		return map[string]any{"type": "array", "items": s.of(*t.Elem)}
	case KindMap:
		return map[string]any{"type": "object", "additionalProperties": s.of(*t.Elem)}
	case KindEither:
		var alternatives []any
		for _, a := range t.Any {
			alternatives = append(alternatives, s.of(a))
		}
		return map[string]any{"anyOf": alternatives}
	case KindChoice, KindVariant:
		var alternatives []any
		for _, shape := range *t.Shapes {
			alternatives = append(alternatives, map[string]any{"$ref": "#/$defs/" + s.shape(shape)})
		}
		return map[string]any{"anyOf": alternatives}
	case KindStruct:
		return map[string]any{"$ref": "#/$defs/" + s.shape(t.Shape)}
	}
	return map[string]any{}
}

// shape writes a definition once and gives its name, so that shapes may hold themselves.
func (s *schemaWriter) shape(shape *Shape) string {
	if name, ok := s.seen[shape]; ok {
		return name
	}
	name := strings.NewReplacer(" ", "-", "/", "-").Replace(strings.TrimPrefix(strings.TrimPrefix(shape.Title, "a "), "an "))
	for _, taken := s.defs[name]; taken; _, taken = s.defs[name] {
		name += "-"
	}
	s.seen[shape], s.defs[name] = name, nil
	properties := map[string]any{}
	var required []any
	for _, f := range shape.Fields {
		p := s.of(f.Type)
		if f.About != "" {
			p["description"] = f.About
		}
		properties[f.Name] = p
		if f.Required {
			required = append(required, f.Name)
		}
	}
	def := map[string]any{"type": "object", "additionalProperties": false, "properties": properties}
	if shape.About != "" {
		def["description"] = shape.About
	}
	if required != nil {
		def["required"] = required
	}
	s.defs[name] = def
	return name
}
