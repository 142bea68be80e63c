package schema_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sequence"
	"fourwire/sequence/battery"
	"fourwire/sim"
)

var update = flag.Bool("update", false, "write the schemas again")

// kinds are the file kinds with the readers' own descriptions.
func kinds() map[string]diag.Type {
	return map[string]diag.Type{"sequence": sequence.Shape(), "bench": bench.Shape(), "model": model.Shape(), "scenario": sim.Shape(), "battery": battery.Shape()}
}

func TestSchemasAreUpToDate(t *testing.T) {
	for kind, shape := range kinds() {
		want, err := diag.Schema("https://fourwire.invalid/schema/"+kind+".schema.json", "fourwire "+kind+" file", shape)
		if err != nil {
			t.Fatal(err)
		}
		want = append(want, '\n')
		name := kind + ".schema.json"
		if *update {
			if err := os.WriteFile(name, want, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(name)
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s is not what the reader describes (%v): go test ./schema -update", name, err)
		}
	}
	files, _ := filepath.Glob("*.json")
	if len(files) != len(kinds()) {
		t.Errorf("%d schemas for %d kinds of file", len(files), len(kinds()))
	}
}

// compiled reads a schema with a validator that shares nothing with the readers; it also checks the schema itself against
// the 2020-12 meta-schema.
func compiled(t *testing.T, kind string) *jsonschema.Schema {
	t.Helper()
	s, err := jsonschema.NewCompiler().Compile(kind + ".schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// document reads YAML the way an editor does.
func document(t *testing.T, file string) any {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var tree any
	if err := yaml.Unmarshal(data, &tree); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	text, err := json.Marshal(tree)
	if err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

func TestEverySchemaCompiles(t *testing.T) {
	for kind := range kinds() {
		compiled(t, kind)
	}
}

// Good files satisfy the schema, as a validator from outside sees it; files whose fault is one of structure do not.
func TestSequencesAgainstTheSchema(t *testing.T) {
	s := compiled(t, "sequence")
	good, _ := filepath.Glob("../sequence/testdata/good/*.yaml")
	if len(good) == 0 {
		t.Fatal("the good files are gone")
	}
	for _, file := range good {
		if err := s.Validate(document(t, file)); err != nil {
			t.Errorf("%s: %v", file, err)
		}
	}
	for _, name := range []string{"version", "no-title", "unknown-key", "unknown-step", "step-key", "role-word", "sweep-one-point", "sweep-too-many-points", "summary-step"} {
		if err := s.Validate(document(t, "../sequence/testdata/bad/"+name+".yaml")); err == nil {
			t.Errorf("%s.yaml satisfies the schema", name)
		}
	}
}

// The models of the library satisfy theirs.
func TestModelsAgainstTheSchema(t *testing.T) {
	s := compiled(t, "model")
	files, _ := filepath.Glob("../driver/model/library/*.yaml")
	if len(files) == 0 {
		t.Skip("no library yet")
	}
	for _, file := range files {
		if err := s.Validate(document(t, file)); err != nil {
			t.Errorf("%s: %v", filepath.Base(file), err)
		}
	}
}

// Battery files satisfy theirs, and those with a fault of structure do not.
func TestBatteriesAgainstTheSchema(t *testing.T) {
	s := compiled(t, "battery")
	good, _ := filepath.Glob("../sequence/battery/testdata/good/*.yaml")
	shipped, _ := filepath.Glob("../examples/cells/*.yaml")
	if len(good) == 0 {
		t.Fatal("the good files are gone")
	}
	for _, file := range append(good, shipped...) {
		if err := s.Validate(document(t, file)); err != nil {
			t.Errorf("%s: %v", file, err)
		}
	}
	for _, name := range []string{"version", "no-capacity", "unknown-key"} {
		if err := s.Validate(document(t, "../sequence/battery/testdata/bad/"+name+".yaml")); err == nil {
			t.Errorf("%s.yaml satisfies the schema", name)
		}
	}
}

// Every key carries a remark for the editor's tooltip.
func TestKeysOfSequencesAreExplained(t *testing.T) {
	var doc struct {
		Defs map[string]struct {
			Properties map[string]struct {
				Description string `json:"description"`
			} `json:"properties"`
		} `json:"$defs"`
	}
	data, err := os.ReadFile("sequence.schema.json")
	if err != nil || json.Unmarshal(data, &doc) != nil {
		t.Fatal(err)
	}
	for title, def := range doc.Defs {
		for key, p := range def.Properties {
			if strings.TrimSpace(p.Description) == "" {
				t.Errorf("%s: %s has no description", title, key)
			}
		}
	}
}
