package plan_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// bindExample binds a sequence of the examples to its own bench with the models of the library.
func bindExample(t testing.TB, file string, set []sequence.Setting) (*plan.Plan, []diag.Finding) {
	t.Helper()
	read := func(file string) []byte {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	var found diag.Findings
	seq := sequence.Read(file, read(file), set, &found)
	if seq == nil || found.Failed() {
		t.Fatalf("%s: %v", file, found.List())
	}
	benchFile := filepath.Join(filepath.Dir(file), seq.Bench)
	b := bench.Read(benchFile, read(benchFile), &found)
	if b == nil {
		t.Fatalf("%s: %v", benchFile, found.List())
	}
	models := map[string]*model.Model{}
	for _, in := range b.Instruments {
		data, ok := model.FromLibrary(in.Model)
		if !ok {
			t.Fatalf("no model %s in the library", in.Model)
		}
		models[in.Name] = model.Read(in.Model, data, &found)
	}
	files := map[string][]byte{}
	for _, f := range seq.Files {
		files[f.Name] = read(filepath.Join(filepath.Dir(file), f.Name))
	}
	if names := b.SiteNames(); len(names) > 0 {
		b = b.ForSite(names[0], names, &found)
	}
	p := plan.BindWith(seq, b, models, plan.Options{Files: files}, &found)
	return p, found.List()
}

func TestEveryExampleFitsItsBench(t *testing.T) {
	files, err := filepath.Glob("../../examples/*/*.yaml")
	if err != nil || len(files) < 5 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(string(data), "fourwire: sequence/") {
			continue
		}
		t.Run(filepath.Base(file), func(t *testing.T) {
			p, found := bindExample(t, file, nil)
			for _, f := range found {
				t.Error(f.Render())
			}
			if p.Fit.Verdict != plan.Fits {
				t.Errorf("verdict %s", p.Fit.Verdict)
			}
			t.Logf("\n%s", p.Fit.Text())
			for _, line := range strings.Split(p.Fit.Text(), "\n") {
				if len(line) > 80 { // for a terminal
					t.Errorf("%d columns: %s", len(line), line)
				}
			}
			document, err := json.Marshal(p.Fit) // no NaN, no infinity
			if err != nil {
				t.Fatal(err)
			}
			again, _ := bindExample(t, file, nil)
			if second, err := json.Marshal(again.Fit); err != nil || string(second) != string(document) {
				t.Errorf("the same files gave another document: %v", err)
			}
		})
	}
}
