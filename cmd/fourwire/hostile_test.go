package main

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"fourwire/record"
)

// What instruments of this test say of themselves: escape sequences for a terminal, markup for a page, a formula for a workbook, a path for a
// file, a change of the direction of writing, and one long line.
const (
	hostileMaker = `Lake\x1b]0;owned\x07\x1b[2Jside`
	hostileModel = `<img src=x onerror=alert(1)><script>alert(2)</script>`
	hostileSerie = `=HYPERLINK(\"http://x.invalid\")`
	hostileFirm  = `../../../../pwned\u202Etxt.exe`
	hostileError = `=1+1 </td><script>alert(3)</script> \x1b[31m ../../pwned \x00 ` // and long
)

// hostileBuoy is the example with instruments that say such things, the last point with an error in a queue.
func hostileBuoy(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Join("..", "..", "examples", "buoy"))); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "buoy.scenario.yaml")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	faults := "\nfaults:\n"
	for _, name := range []string{"feed-psu", "sink", "dmm-in"} {
		faults += "  - {kind: garbage, instrument: " + name + `, heard: "*IDN?", text: "` + hostileMaker + "," + hostileModel + "," + hostileSerie + "," + hostileFirm + "\"}\n"
	}
	faults += `  - {kind: spontaneous-error, instrument: sink, heard: ":SOUR:CURR", nth: 8, code: -330, text: "` + hostileError + strings.Repeat("A", 5000) + "\"}\n"
	text = append(text, faults...)
	if err := os.WriteFile(file, text, 0o644); err != nil {
		t.Fatal(err)
	}
	return dir
}

// Bytes of an instrument reach neither a terminal, nor a page, a workbook or a path as what they pretend to be.
func TestHostileTextReachesNobody(t *testing.T) {
	t.Parallel()
	dir := hostileBuoy(t)
	out := filepath.Join(dir, "record")
	c := command(t, "run", filepath.Join(dir, "efficiency.yaml"), "--out", out)
	said, _ := c.CombinedOutput() // the exit status is looked at below
	if c.ProcessState.ExitCode() != exitBench || !bytes.Contains(said, []byte("-330")) {
		t.Fatalf("exit %d\n%s", c.ProcessState.ExitCode(), said)
	}
	shown := map[string][]byte{"the screen": said}
	for _, args := range [][]string{{"report", out}, {"report", out, "--json"}} {
		text, err := command(t, args...).CombinedOutput()
		if err != nil {
			t.Errorf("%v: %v\n%s", args, err, text)
		}
		shown[strings.Join(args[2:], " ")+" of report"] = text
	}
	for where, text := range shown {
		if i := bytes.IndexFunc(text, func(r rune) bool {
			return r < 0x20 && r != '\n' && r != '\t' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == 0x202e
		}); i >= 0 {
			t.Errorf("%s shows %q", where, text[max(0, i-20):min(len(text), i+20)])
		}
	}
	if !strings.Contains(string(said), "hint: no command of this run need have caused it; look it up in its manual") {
		t.Errorf("no hint:\n%s", said)
	}
	hostilePage(t, filepath.Join(out, "report.html"))
	hostileWorkbook(t, filepath.Join(out, "results.xlsx"))
	hostileFiles(t, dir, out)
}

// hostilePage finds markup that an instrument has sent.
func hostilePage(t *testing.T, file string) {
	page, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"<img src=x", "<script>alert", "</td><script", "\x1b", "\u202e", "\x00"} {
		if bytes.Contains(page, []byte(bad)) {
			t.Errorf("the page has %q as it is", bad)
		}
	}
	if !bytes.Contains(page, []byte("&lt;img src=x")) {
		t.Error("the page does not show the model, escaped")
	}
}

// hostileWorkbook finds formulas that an instrument has sent.
func hostileWorkbook(t *testing.T, file string) {
	book, err := excelize.OpenFile(file)
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	found := false
	for _, sheet := range book.GetSheetList() {
		rows, err := book.GetRows(sheet)
		if err != nil {
			t.Fatal(err)
		}
		for i, row := range rows {
			for k, text := range row {
				at, _ := excelize.CoordinatesToCellName(k+1, i+1)
				formula, _ := book.GetCellFormula(sheet, at)
				if strings.Contains(formula, "HYPERLINK") || strings.Contains(formula, "1+1") {
					t.Errorf("%s!%s has the formula %q", sheet, at, formula)
				}
				if link, target, _ := book.GetCellHyperLink(sheet, at); link && strings.Contains(target, "invalid") {
					t.Errorf("%s!%s is a link to %s", sheet, at, target)
				}
				found = found || strings.Contains(text, "HYPERLINK")
				if strings.ContainsAny(text, "\x1b\x00\x07") {
					t.Errorf("%s!%s holds control characters: %q", sheet, at, text)
				}
			}
		}
	}
	if !found {
		t.Error("the workbook does not show the serial number as text")
	}
}

// hostileFiles looks that nothing was written beside the record, and that machines can read what is in it.
func hostileFiles(t *testing.T, dir, out string) {
	err := filepath.WalkDir(filepath.Dir(dir), func(path string, d fs.DirEntry, err error) error {
		if strings.Contains(d.Name(), "pwned") {
			t.Errorf("%s was written", path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	verdicts, err := os.Open(filepath.Join(out, "verdict.junit.xml"))
	if err != nil {
		t.Fatal(err)
	}
	defer verdicts.Close()
	for d := xml.NewDecoder(verdicts); ; {
		if _, err := d.Token(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatalf("the verdict file is no XML: %v", err)
		}
	}
	for _, name := range []string{record.WireFile, record.LogFile} {
		text, err := os.ReadFile(filepath.Join(out, name))
		if err != nil {
			t.Fatal(err)
		}
		for i, line := range bytes.Split(bytes.TrimSpace(text), []byte("\n")) {
			if !json.Valid(line) {
				t.Errorf("%s:%d is no JSON: %.100q", name, i+1, line)
			}
		}
	}
	rec, err := record.Open(out)
	if err != nil || len(rec.Rows) < 3 || !rec.Rows[0].Valid {
		t.Errorf("%v, %d points", err, len(rec.Rows))
	}
}
