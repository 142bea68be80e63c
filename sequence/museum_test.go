package sequence_test

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/sequence"
)

// Every file in testdata/bad has one fault. Its first line says where and what: "# want LINE:COLUMN: part of the message",
// with 0:0 for the file as a whole.
func TestMuseum(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*")
	if err != nil || len(files) < 30 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	wanted := regexp.MustCompile(`^# want (\d+):(\d+): (.+)$`)
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".yaml"), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			first, _, _ := strings.Cut(string(data), "\n")
			want := wanted.FindStringSubmatch(first)
			if want == nil {
				t.Fatalf("the first line says no fault: %s", first)
			}
			var found diag.Findings
			sequence.Read("f.yaml", data, nil, &found)
			list := found.List()
			if len(list) != 1 {
				t.Fatalf("%d findings, want one fault:\n%s", len(list), render(&found))
			}
			f := list[0]
			if got := fmt.Sprintf("%d:%d", f.Place.Line, f.Place.Column); got != want[1]+":"+want[2] || !strings.Contains(f.Error(), want[3]) {
				t.Errorf("got  %s\nwant %s:%s: %s", f.Error(), want[1], want[2], want[3])
			}
		})
	}
}
