package report_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/record"
	"fourwire/report"
	"fourwire/report/html"
	"fourwire/report/junit"
	"fourwire/report/reporttest"
	"fourwire/report/workbook"
)

// A day of 86.4 million samples with 1440 events must be reported in 12 s and 300 MB on two cores.
func TestReportOfADay(t *testing.T) {
	if os.Getenv("FOURWIRE_LONG") == "" {
		t.Skip("set FOURWIRE_LONG=1")
	}
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteDrain(dir, reporttest.Drain{Seconds: 86400, Alone: true}); err != nil {
		t.Fatal(err)
	}
	debug.FreeOSMemory()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	c := clock.Real()
	began := c.Now()
	if err := report.Build(dir, html.Form(), workbook.Form(), junit.Form()); err != nil {
		t.Fatal(err)
	}
	took := c.Since(began)
	runtime.ReadMemStats(&after)
	size, files := int64(0), 0
	err := filepath.WalkDir(filepath.Join(dir, report.Folder), func(_ string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			info, _ := d.Info()
			size += info.Size()
			files++
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	page, err := os.Stat(filepath.Join(dir, report.PageFile))
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%v, %.0f MB from the system (%.0f before), page %d bytes, %d files of %.1f MB", took, float64(after.Sys)/1e6, float64(before.Sys)/1e6, page.Size(), files, float64(size)/1e6)
	if took > 12*time.Second || after.Sys > 300<<20 {
		t.Error("beyond the budget of 12 s and 300 MB")
	}
}

// What is made beside the page is in the manifest, so that a change is seen, and is made again without being a finding.
func TestFilesBesideThePageAreAttached(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteDrain(dir, reporttest.Drain{Seconds: 100, Gap: true}); err != nil {
		t.Fatal(err)
	}
	whole := func(when string, want bool) *record.Checked {
		t.Helper()
		c, err := record.Check(dir)
		if err != nil {
			t.Fatal(err)
		}
		if c.Whole != want {
			t.Errorf("%s: whole %v, %v", when, c.Whole, c.Differences)
		}
		return c
	}
	build := func() {
		t.Helper()
		if err := report.Build(dir, html.Form()); err != nil {
			t.Fatal(err)
		}
	}
	build()
	whole("after the report was made", true)
	tiles, _ := filepath.Glob(filepath.Join(dir, report.Folder, "day", "*.js"))
	if len(tiles) < 2 {
		t.Fatalf("beside the page are %v", tiles)
	}
	if err := os.WriteFile(tiles[0], []byte("fourwireTile()\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, report.Folder, "day", "s1-999.js"), nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if c := whole("with a changed file beside the page", false); len(c.Differences) != 2 {
		t.Errorf("found %v", c.Differences)
	}
	build()
	whole("made again", true)
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range report.New(rec).Inputs {
		if strings.HasPrefix(f.Path, report.Folder+"/") {
			t.Errorf("%s is listed as a file of the run", f.Path)
		}
	}
	page, err := os.ReadFile(filepath.Join(dir, report.PageFile))
	if err != nil || strings.Contains(string(page), "was changed") {
		t.Errorf("the page tells of what it made itself, or %v", err)
	}
}

func overwrite(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}
