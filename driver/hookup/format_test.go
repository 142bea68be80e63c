package hookup_test

import (
	"encoding/json"
	"os"
	"regexp"
	"strings"
	"testing"

	"fourwire/driver/hookup"
)

// The page names every fault and every key of the document.
func TestFormatPageNamesEveryWord(t *testing.T) {
	data, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	page := string(data)
	source, err := os.ReadFile("hookup.go")
	if err != nil {
		t.Fatal(err)
	}
	words := 0
	for _, m := range regexp.MustCompile(`Kind += "([a-z-]+)"`).FindAllStringSubmatch(string(source), -1) {
		words++
		if !strings.Contains(page, "| `"+m[1]+"` |") {
			t.Errorf("the page does not name the fault %s", m[1])
		}
	}
	if words < 16 {
		t.Errorf("only %d faults found", words)
	}
	doc, err := json.Marshal(hookup.Report{
		Levels: []hookup.Level{{NominalV: 1}}, Leads: []hookup.Lead{{Ohm: 1, U: 1, StatedOhm: 1, Amps: 1, Why: "x"}},
		Faults: []hookup.Fault{{Doubt: true, Channel: "x", Other: "x", Node: "x", Conduct: "x", At: "x"}}, Seen: []hookup.Seen{{Volts: new(float64), Amps: new(float64)}},
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`"([a-zA-Z_]+)":`).FindAllStringSubmatch(string(doc), -1) {
		if !strings.Contains(page, "`"+m[1]+"`") {
			t.Errorf("the page does not name the key %s", m[1])
		}
	}
}
