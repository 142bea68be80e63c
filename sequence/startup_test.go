package sequence_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/sequence"
)

// Every file in testdata/warnings starts a device badly in one way, or, with "nothing", as it should be started. What is bad is common
// practice of converter testing: a constant current that meets a starting converter, a constant power below the turn-on voltage, a load on
// before its source, and two that regulate one voltage.
func TestStartUpWarnings(t *testing.T) {
	files, err := filepath.Glob("testdata/warnings/*.yaml")
	if err != nil || len(files) < 12 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".yaml"), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			first, _, _ := strings.Cut(string(data), "\n")
			want, ok := strings.CutPrefix(first, "# want ")
			var found diag.Findings
			sequence.Read("f.yaml", data, nil, &found)
			list := slices.DeleteFunc(found.List(), func(f diag.Finding) bool { return strings.Contains(f.Text, "without a current limit") }) // another warning
			if !ok || found.Failed() {
				t.Fatalf("%s", render(&found))
			}
			if want == "nothing" {
				if len(list) > 0 {
					t.Errorf("%s", render(&found))
				}
				return
			}
			place, words, _ := strings.Cut(want, ": ")
			if len(list) != 1 || !list[0].Warning || !strings.HasPrefix(list[0].Error(), "f.yaml:"+place+": ") || !strings.Contains(list[0].Error(), words) || list[0].Hint == "" {
				t.Errorf("want %s, got\n%s", want, render(&found))
			}
		})
	}
}
