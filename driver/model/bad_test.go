package model_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/driver/model"
	"fourwire/internal/diag"
)

// Each file of the museum has one fault; its first line says which finding must come: "# want LINE:COLUMN: text".
func TestMuseumOfBadFiles(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil || len(files) < 15 {
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
			if m := model.Read(file, data, &found); m != nil {
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
