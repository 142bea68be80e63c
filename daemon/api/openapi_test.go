package api_test

import (
	"bytes"
	"encoding/json"
	"os"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"fourwire/daemon/api"
)

// document is the OpenAPI document as JSON.
func document(t *testing.T) any {
	t.Helper()
	data, err := json.Marshal(api.OpenAPI(api.Routes()))
	if err != nil {
		t.Fatal(err)
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// The document is one: by the JSON Schema that the OpenAPI Initiative publishes for its specification 3.1.
func TestDocumentIsOpenAPI(t *testing.T) {
	f, err := os.Open("testdata/openapi-3.1.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	schema, err := jsonschema.UnmarshalJSON(f)
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("https://spec.openapis.org/oas/3.1/schema/2021-04-15", schema); err != nil {
		t.Fatal(err)
	}
	compiled, err := c.Compile("https://spec.openapis.org/oas/3.1/schema/2021-04-15")
	if err != nil {
		t.Fatal(err)
	}
	doc := document(t)
	if err := compiled.Validate(doc); err != nil {
		t.Error(err)
	}
	delete(doc.(map[string]any), "info")
	if compiled.Validate(doc) == nil {
		t.Error("a document without info passes: the schema checks nothing")
	}
}

// Every shape is a JSON Schema (2020-12), every reference leads somewhere, and names of operations are unique.
func TestShapes(t *testing.T) {
	doc := document(t).(map[string]any)
	c := jsonschema.NewCompiler()
	if err := c.AddResource("mem:api", doc); err != nil {
		t.Fatal(err)
	}
	shapes := doc["components"].(map[string]any)["schemas"].(map[string]any)
	for name := range shapes {
		if _, err := c.Compile("mem:api#/components/schemas/" + name); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if len(shapes) < 25 {
		t.Errorf("only %d shapes", len(shapes))
	}
	seen := map[string]string{}
	for path, item := range doc["paths"].(map[string]any) {
		for method, op := range item.(map[string]any) {
			id := op.(map[string]any)["operationId"].(string)
			if before := seen[id]; before != "" {
				t.Errorf("%s %s and %s are both %s", method, path, before, id)
			}
			seen[id] = method + " " + path
		}
	}
	if len(seen) != len(api.Routes()) {
		t.Errorf("%d operations of %d routes", len(seen), len(api.Routes()))
	}
}

// What changes something takes an operator; what anybody may read is the health alone. From the requirements on the daemon.
func TestRolesOfRoutes(t *testing.T) {
	for _, r := range api.Routes() {
		writes := r.Method != "GET" && r.Path != "/api/session" && r.Path != "/api/compare"
		switch {
		case writes && r.Role.String() != "operator":
			t.Errorf("%s %s takes a %s", r.Method, r.Path, r.Role)
		case r.Role.String() == "nobody" && r.Path != "/api/health" && !strings.Contains(r.Path, "{ticket}"):
			t.Errorf("%s %s is open to everybody", r.Method, r.Path)
		case !strings.HasPrefix(r.Path, "/api/"):
			t.Errorf("%s is not below /api/", r.Path)
		}
	}
}
