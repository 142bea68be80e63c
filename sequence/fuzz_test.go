package sequence_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/sequence"
)

// Whatever text is read: no panic; findings lie inside the file; and what has no fault can be counted, has one column for
// each name, and no sweep without values.
func FuzzRead(f *testing.F) {
	for _, pattern := range []string{"testdata/good/*.yaml", "testdata/bad/*.yaml"} {
		files, _ := filepath.Glob(pattern)
		for _, file := range files {
			if data, err := os.ReadFile(file); err == nil {
				f.Add(data, "vin", "[9 V, 12 V]")
			}
		}
	}
	f.Fuzz(func(t *testing.T, data []byte, name, value string) {
		var found diag.Findings
		s := sequence.Read("f.yaml", data, []sequence.Setting{{Name: name, Value: value}}, &found)
		rows := strings.Count(string(data), "\n") + strings.Count(string(data), "\r") + 2
		for _, one := range found.List() {
			one.Render()
			if one.Place.Line < 0 || one.Place.Line > rows || one.Place.Column < 0 {
				t.Fatalf("%s lies outside of %d lines", one.Error(), rows)
			}
		}
		if s == nil && !found.Failed() {
			t.Fatal("no sequence and no reason")
		}
		if s == nil {
			return
		}
		points := s.CountPoints()
		if found.Failed() {
			return
		}
		if points < 0 || points > sequence.MaxPoints {
			t.Fatalf("%d points", points)
		}
		seen := map[string]bool{}
		for _, c := range s.Columns() {
			if seen[c.Name] {
				t.Fatalf("column %s twice", c.Name)
			}
			seen[c.Name] = true
		}
		lookThrough(t, s.Steps)
	})
}

func lookThrough(t *testing.T, steps []sequence.Step) {
	for _, step := range steps {
		switch s := step.(type) {
		case *sequence.Sweep:
			if s.Values.Most() < 1 || s.Values.List != nil && len(s.Values.List) != s.Values.Most() {
				t.Fatalf("sweep %s: %d of %d values", s.Name, len(s.Values.List), s.Values.Most())
			}
			lookThrough(t, s.Steps)
		case *sequence.Repeat:
			lookThrough(t, s.Steps)
		case *sequence.When:
			lookThrough(t, s.Then)
			lookThrough(t, s.Else)
		case *sequence.Judge:
			if _, _, _, ok := s.Limit.Sides(); !ok {
				t.Fatalf("limit %q has no sides", s.Limit.Text)
			}
		case *sequence.Settle:
			if s.Value == nil || !(s.AtMost.SI > s.For.SI) {
				t.Fatalf("settle %+v", s)
			}
		}
	}
}

// long is a file of about 200 lines, as a full characterisation might be.
func long() []byte {
	data, err := os.ReadFile(sketch)
	if err != nil {
		panic(err)
	}
	head, rest, _ := strings.Cut(string(data), "steps:\n")
	body, curves, _ := strings.Cut(rest, "curves:")
	return []byte(head + "steps:\n" + strings.Repeat(body, 11) + "curves:" + curves)
}

func BenchmarkRead200Lines(b *testing.B) {
	data := long()
	b.ReportAllocs()
	for b.Loop() {
		var found diag.Findings
		if sequence.Read("long.yaml", data, nil, &found); found.Failed() {
			b.Fatal(render(&found))
		}
	}
}
