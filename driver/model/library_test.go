package model_test

import (
	"strings"
	"testing"

	"fourwire/driver/model"
	"fourwire/internal/diag"
)

func read(t *testing.T, name, text string) *model.Model {
	t.Helper()
	var found diag.Findings
	m := model.Read(name, []byte(text), &found)
	for _, f := range found.List() {
		t.Error(f.Render())
	}
	if m == nil {
		t.FailNow()
	}
	return m
}

func TestLibraryReads(t *testing.T) {
	names := model.Library()
	if want := "dc-source dc-source-dual electronic-load meter source-measure-unit"; strings.Join(names, " ") != want {
		t.Errorf("the library holds %q, want %q", names, want)
	}
	for _, name := range names {
		data, ok := model.FromLibrary(name)
		if !ok {
			t.Fatalf("%s is listed, but not there", name)
		}
		if m := read(t, name+".model.yaml", string(data)); m.Name != name {
			t.Errorf("%s is called %s", name, m.Name)
		}
	}
	for _, name := range []string{"", "no-such", "../library/meter", "library"} {
		if _, ok := model.FromLibrary(name); ok {
			t.Errorf("the library has a model %q", name)
		}
	}
}
