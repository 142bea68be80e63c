package sheet_test

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"fourwire/sheet"
)

// Every cell that FORMAT.md shows is read, and nothing is taught there that is not so.
func TestFormatPage(t *testing.T) {
	data, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(data), "A cell of a parameter holds")
	table, _, ok := strings.Cut(rest, "A formula counts")
	if !ok {
		t.Fatal("the table of cells is not where it was")
	}
	n := 0
	for _, line := range strings.Split(table, "\n") {
		first, _, ok := strings.Cut(strings.TrimPrefix(line, "|"), "|")
		if !ok {
			continue
		}
		for _, m := range regexp.MustCompile("`([^`]+)`").FindAllStringSubmatch(first, -1) {
			name := "vin"
			if strings.HasSuffix(m[1], "log") {
				name = "iout"
			}
			_, found := sheet.Read("p.csv", []byte(name+"\tnote\n"+m[1]+"\tx\n"), sheet.Options{Params: params})
			if len(found) > 0 {
				t.Errorf("%s: %s", m[1], texts(found))
			}
			n++
		}
	}
	if n < 8 {
		t.Errorf("only %d cells are shown", n)
	}
}
