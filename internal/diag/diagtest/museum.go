// Package diagtest holds a reader of files against a museum of bad ones, one fault each.
package diagtest

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/internal/diag"
)

// Museum reads each file of testdata/bad, of which there are at least so many. Each has one fault; its first line says which
// finding must come, and no other: "# want LINE:COLUMN: text; hint", or how that begins. read tells whether it took the file for good.
func Museum(t *testing.T, least int, read func(name string, data []byte, found *diag.Findings) (good bool)) {
	t.Helper()
	files, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil || len(files) < least {
		t.Fatalf("%d bad files, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".yaml"), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			first, _, _ := strings.Cut(string(data), "\n")
			want, ok := strings.CutPrefix(first, "# want ")
			if !ok {
				t.Fatal("the first line does not say what is wanted")
			}
			var found diag.Findings
			if read(file, data, &found) {
				t.Error("it was taken for good")
			}
			list := found.List()
			for _, f := range list {
				if got := fmt.Sprintf("%d:%d: %s; %s", f.Place.Line, f.Place.Column, f.Text, f.Hint); strings.HasPrefix(got, want) && len(list) == 1 {
					return
				}
			}
			t.Errorf("want %s", want)
			for _, f := range list {
				t.Log("got ", f.Error())
			}
		})
	}
}
