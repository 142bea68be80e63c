package junit_test

import (
	"bytes"
	"encoding/xml"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fourwire/record"
	"fourwire/report"
	"fourwire/report/junit"
	"fourwire/report/reporttest"
)

var update = flag.Bool("update", false, "write the golden files again")

func verdictFile(t *testing.T, o reporttest.Options) []byte {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.Write(dir, o); err != nil {
		t.Fatal(err)
	}
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	data, err := junit.Make(report.New(rec))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func TestGolden(t *testing.T) {
	got := verdictFile(t, reporttest.Options{Mixed: true, Points: 5})
	path := filepath.Join("testdata", "mixed.junit.xml")
	if *update {
		if err := os.WriteFile(path, got, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), string(got)); d != "" {
		t.Errorf("run with -update after reading this:\n%s", d)
	}
}

// What build servers count (common practice, no standard): tests, failures, errors and skipped of a suite are those of its cases.
func TestCountsAgreeWithTheCases(t *testing.T) {
	for _, o := range []reporttest.Options{{}, {Mixed: true}, {Mixed: true, Unended: true, Hostile: true}} {
		data := verdictFile(t, o)
		var doc struct {
			Tests    int `xml:"tests,attr"`
			Failures int `xml:"failures,attr"`
			Errors   int `xml:"errors,attr"`
			Skipped  int `xml:"skipped,attr"`
			Suites   []struct {
				Cases []struct {
					Failure *struct{} `xml:"failure"`
					Error   *struct{} `xml:"error"`
					Skipped *struct{} `xml:"skipped"`
				} `xml:"testcase"`
			} `xml:"testsuite"`
		}
		if err := xml.Unmarshal(data, &doc); err != nil {
			t.Fatal(err)
		}
		var tests, failures, errs, skipped int
		for _, s := range doc.Suites {
			for _, c := range s.Cases {
				tests++
				if c.Failure != nil {
					failures++
				}
				if c.Error != nil {
					errs++
				}
				if c.Skipped != nil {
					skipped++
				}
			}
		}
		if tests != doc.Tests || failures != doc.Failures || errs != doc.Errors || skipped != doc.Skipped {
			t.Errorf("%+v: cases %d %d %d %d, attributes %d %d %d %d", o, tests, failures, errs, skipped, doc.Tests, doc.Failures, doc.Errors, doc.Skipped)
		}
		if o.Mixed && (failures != 1 || skipped != 8) {
			t.Errorf("%d failures and %d skipped; the run has 1 failed, 1 undecided and 7 not judged", failures, skipped)
		}
		if (errs > 0) != o.Unended {
			t.Errorf("%d errors; the run was cut off: %v", errs, o.Unended)
		}
	}
}

func TestHostileTextStaysText(t *testing.T) {
	data := verdictFile(t, reporttest.Options{Hostile: true})
	if bytes.ContainsRune(data, 0x1b) || strings.Contains(string(data), "<i>") {
		t.Error("a control character or an element came through")
	}
	if !strings.Contains(string(data), "A &amp; B &lt;i&gt;") {
		t.Error("the title is lost")
	}
}
