package api

import (
	"net/http"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"time"

	"fourwire/daemon/access"
)

// object is a JSON object with its members in alphabetical order when it is written.
type object = map[string]any

// OpenAPI describes routes as an OpenAPI 3.1 document, with the shapes of bodies as JSON Schema made from their Go types.
func OpenAPI(routes []Route) map[string]any {
	s := schemas{all: object{}}
	paths := object{}
	for _, r := range routes {
		at := variables.ReplaceAllString(r.Path, "{$1}")
		item, _ := paths[at].(object)
		if item == nil {
			item = object{}
			paths[at] = item
		}
		item[strings.ToLower(r.Method)] = s.operation(r)
	}
	s.of(in[Problem]())
	s.of(in[Event]())
	return object{
		"openapi": "3.1.0",
		"info": object{"title": "fourwire daemon", "version": "1",
			"description": "Submit runs to a bench, watch them, switch its outputs off, read its records. Errors are problem details (RFC 9457)."},
		"paths": paths,
		"components": object{
			"schemas": s.all,
			"securitySchemes": object{
				"token":   object{"type": "http", "scheme": "bearer"},
				"basic":   object{"type": "http", "scheme": "basic", "description": "the token is the password"},
				"session": object{"type": "apiKey", "in": "cookie", "name": cookieName},
			},
		},
	}
}

var variables = regexp.MustCompile(`\{(\w+)(?:\.\.\.)?\}`)

func (s *schemas) operation(r Route) object {
	op := object{"summary": r.About, "operationId": operationID(r), "x-role": r.Role.String()}
	parameters := []any{}
	for _, m := range variables.FindAllStringSubmatch(r.Path, -1) {
		parameters = append(parameters, object{"name": m[1], "in": "path", "required": true, "schema": object{"type": "string"}})
	}
	for _, q := range r.Query {
		schema := object{"type": q.Type}
		if q.Type == "date-time" {
			schema = object{"type": "string", "format": "date-time"}
		}
		parameters = append(parameters, object{"name": q.Name, "in": "query", "description": q.About, "schema": schema})
	}
	if len(parameters) > 0 {
		op["parameters"] = parameters
	}
	if r.In != nil {
		op["requestBody"] = object{"required": true, "content": object{"application/json": object{"schema": s.of(r.In)}}}
	}
	media, schema := r.Media, any(object{})
	if r.Out != nil {
		media, schema = "application/json", s.of(r.Out)
	}
	status := r.Status
	if status == 0 {
		status = http.StatusOK
	}
	problem := object{"description": "not carried out", "content": object{"application/problem+json": object{"schema": s.of(in[Problem]())}}}
	op["responses"] = object{
		strconv.Itoa(status): object{"description": http.StatusText(status), "content": object{media: object{"schema": schema}}},
		"default":            problem,
	}
	if r.Role == access.Nobody {
		op["security"] = []any{}
	} else {
		op["security"] = []any{object{"token": []any{}}, object{"basic": []any{}}, object{"session": []any{}}, object{}}
	}
	return op
}

// operationID is a name for code that is made from the document: "getJobsId".
func operationID(r Route) string {
	out := strings.ToLower(r.Method)
	for _, part := range strings.FieldsFunc(strings.TrimPrefix(r.Path, "/api/"), func(c rune) bool { return strings.ContainsRune("/-.{}", c) }) {
		out += strings.ToUpper(part[:1]) + part[1:]
	}
	return out
}

// schemas makes a schema of each named struct once.
type schemas struct{ all object }

// of is the schema of a type, a reference where it has a name.
func (s *schemas) of(t reflect.Type) any {
	switch {
	case t == reflect.TypeFor[time.Time]():
		return object{"type": "string", "format": "date-time"}
	case t.Kind() == reflect.Pointer:
		inner := s.of(t.Elem())
		if plain, ok := inner.(object); ok && plain["type"] != nil {
			plain["type"] = []any{plain["type"], "null"}
			return plain
		}
		return object{"anyOf": []any{inner, object{"type": "null"}}}
	}
	switch t.Kind() {
	case reflect.Struct:
		if _, known := s.all[t.Name()]; !known {
			s.all[t.Name()] = object{} // it may hold itself
			s.all[t.Name()] = s.fields(t)
		}
		return object{"$ref": "#/components/schemas/" + t.Name()}
	case reflect.Slice:
		return object{"type": "array", "items": s.of(t.Elem())}
	case reflect.Map:
		return object{"type": "object", "additionalProperties": s.of(t.Elem())}
	case reflect.String:
		return object{"type": "string"}
	case reflect.Bool:
		return object{"type": "boolean"}
	case reflect.Float64:
		return object{"type": "number"}
	case reflect.Uint64:
		return object{"type": "integer", "minimum": 0}
	}
	return object{"type": "integer"}
}

func (s *schemas) fields(t reflect.Type) object {
	properties, required := object{}, []any{}
	var add func(reflect.Type)
	add = func(t reflect.Type) {
		for i := range t.NumField() {
			f := t.Field(i)
			if f.Anonymous {
				add(f.Type)
				continue
			}
			name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
			schema, _ := s.of(f.Type).(object)
			if about := f.Tag.Get("doc"); about != "" {
				schema["description"] = about
			}
			optional := strings.Contains(options, "omit")
			if words := f.Tag.Get("enum"); words != "" {
				var list []any
				for _, w := range strings.Split(words, ",") {
					list = append(list, w)
				}
				schema["enum"] = list
			}
			if !optional {
				required = append(required, name)
				if k := f.Type.Kind(); k == reflect.Slice { // an empty one may be written as null
					schema["type"] = []any{schema["type"], "null"}
				}
			}
			properties[name] = schema
		}
	}
	add(t)
	out := object{"type": "object", "properties": properties, "additionalProperties": false}
	if len(required) > 0 {
		out["required"] = required
	}
	return out
}
