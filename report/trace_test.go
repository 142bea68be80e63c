package report_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/report"
	"fourwire/report/html"
	"fourwire/report/reporttest"
	"fourwire/report/workbook"
)

func loadDrain(t *testing.T, o reporttest.Drain) *report.Report {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteDrain(dir, o); err != nil {
		t.Fatal(err)
	}
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	return report.New(rec)
}

// A gap must be told with its place and length, and a whole recording must say what was counted (reference notes of the trade: a run with a
// gap cannot claim "no gaps").
func TestTrustIsSaidInWords(t *testing.T) {
	short := loadDrain(t, reporttest.Drain{Seconds: 300, Gap: true}).Traces[0].Trust
	if short.Complete || !strings.HasPrefix(short.Headline, "Not complete: 10\u202f003 of 300\u202f000 samples are missing, which is 10 s or 3.3 % of the time.") {
		t.Errorf("%v %q", short.Complete, short.Headline)
	}
	if len(short.Gaps) != 2 || short.Gaps[0] != "at 1 min: 3 ms, 3 samples" || short.Gaps[1] != "at 2 min 30 s: 10 s, 10\u202f000 samples" {
		t.Errorf("%q", short.Gaps)
	}
	whole := loadDrain(t, reporttest.Drain{Seconds: 30}).Traces[0].Trust
	if !whole.Complete || !strings.Contains(whole.Text(), "Samples received: 30\u202f000.") || !strings.Contains(whole.Text(), "counted by smu.1") {
		t.Errorf("%v %q", whole.Complete, whole.Text())
	}
}

func TestNumbersOfLongTraces(t *testing.T) {
	for _, c := range []struct{ name, got, want string }{
		{"thousands stand apart", report.Grouped(86400000), "86\u202f400\u202f000"},
		{"none to part", report.Grouped(999), "999"},
		{"below zero", report.Grouped(-1234), "-1\u202f234"},
		{"3600 C are an ampere hour (SI brochure, 9th edition, table 8 by analogy)", report.AmpereHours(3600, math.NaN()), "1 Ah"},
		{"small charges", report.AmpereHours(0.5316, 0.0002), "147.667 µAh"},
		{"a mAh is 3.6 C", report.AmpereHours(3.6, 0.01), "1.0000 mAh"},
		{"hours without minutes", report.SecondsText(86400), "24 h"},
		{"hours and minutes", report.SecondsText(7380), "2 h 3 min"},
		{"short times", report.SecondsText(0.003), "3 ms"},
		{"nearly always is not always", report.TimeShare(0.9962), "99.62 %"},
		{"always", report.TimeShare(1), "100 %"},
	} {
		if c.got != c.want {
			t.Errorf("%s: %q, want %q", c.name, c.got, c.want)
		}
	}
}

// A life is told as an interval and with two digits; the year has 8766 h.
func TestLivesAreIntervals(t *testing.T) {
	r := loadDrain(t, reporttest.Drain{Seconds: 130})
	if len(r.Lives) != 1 {
		t.Fatalf("%d lives", len(r.Lives))
	}
	l := r.Lives[0]
	if want := l.LifeResult.Hours / 8766; want < 3 || want > 10 || !strings.HasSuffix(l.Interval, " years") || strings.Count(l.Interval, " to ") != 1 || len(l.Text) > len("3.4 years") {
		t.Errorf("%v h: %q, %q", l.Hours, l.Text, l.Interval)
	}
}

// Both recordings are drawn over each other on logarithmic axes, and each line starts at 100 % and never rises: what the definition of a
// complementary cumulative distribution asks for.
func TestDistributionsLieOverEachOther(t *testing.T) {
	curves := loadDrain(t, reporttest.Drain{Seconds: 130}).Traces[0].DrainCurves()
	if len(curves) != 1 || len(curves[0].Lines) != 2 || !curves[0].LogX || !curves[0].LogY {
		t.Fatalf("%+v", curves)
	}
	for _, l := range curves[0].Lines {
		before := 1.0
		for i, d := range l.Dots {
			if i == 0 && d.Y != 1 || d.Y > before || !(d.X > 0) {
				t.Fatalf("%s, point %d: %v above %v, before it %v", l.Name, i, d.Y, d.X, before)
			}
			before = d.Y
		}
	}
}

func TestPlayedBatteryHasItsCurve(t *testing.T) {
	r := loadDrain(t, reporttest.Drain{Seconds: 10})
	if len(r.Played) != 1 || r.Played[0].Curve.Missing != "" {
		t.Fatalf("%+v", r.Played)
	}
	c := r.Played[0].Curve
	if c.X.Name != "drawn" || len(c.Lines) != 1 || len(c.Lines[0].Dots) != 40 || c.Lines[0].Dots[0].Y < c.Lines[0].Dots[39].Y {
		t.Errorf("%+v", c)
	}
}

// What an analysis left is read from inside the record only, and what cannot be read is said instead of left out.
func TestDamagedAnalysisIsTold(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteDrain(dir, reporttest.Drain{Seconds: 10}); err != nil {
		t.Fatal(err)
	}
	overwrite(t, filepath.Join(dir, "analysis", "day.drain.json"), `{"trace": "day", "states": 5}`)
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	overwrite(t, filepath.Join(dir, "analysis", "day.events.csv"), "start [s],\"broken\n")
	if err := report.Build(dir, html.Form(), workbook.Form()); err != nil {
		t.Errorf("no report is made of what is there: %v", err)
	}
	r := report.New(rec)
	if len(r.Traces) != 1 || r.Traces[0].Drain != nil || r.Traces[0].Missing != "" || !strings.Contains(r.Traces[0].Trust.Text(), "cannot be read: analysis/day.drain.json") {
		t.Errorf("%+v", r.Traces[0].Trust)
	}
}

// The samples of a trace may be damaged where its head and pyramid are whole: the page then has its still picture and says so.
func TestDamagedSamplesLeaveThePicture(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteDrain(dir, reporttest.Drain{Seconds: 4200, Alone: true}); err != nil { // so long that the picture needs no samples
		t.Fatal(err)
	}
	path := filepath.Join(dir, "traces", "day.parquet")
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := len(data) / 3; i < len(data)/3+200; i++ {
		data[i] ^= 0x5a
	}
	overwrite(t, path, string(data))
	if err := report.Build(dir, html.Form(), workbook.Form()); err != nil {
		t.Fatalf("no report is made of what is there: %v", err)
	}
	page, err := os.ReadFile(filepath.Join(dir, report.PageFile))
	if err != nil || !strings.Contains(string(page), "cannot be shown") || !strings.Contains(string(page), `class="envelope"`) || strings.Contains(string(page), `class="viewer"`) {
		t.Errorf("%v: the page does not tell of damaged samples, or has no picture", err)
	}
}

// A sweep may record at every point: a page shows the first traces in full and lists the others, so that its size is bounded.
func TestManyTracesAreListed(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteDrain(dir, reporttest.Drain{Seconds: 20}); err != nil {
		t.Fatal(err)
	}
	for n := range 14 {
		w, err := trace.Create(filepath.Join(dir, "traces"), trace.Head{Name: fmt.Sprintf("more-%02d", n), IntervalSeconds: 0.001, Signals: []trace.Signal{{Name: "i", Unit: "A", Ranges: []trace.Range{{Full: 1}}}}})
		if err == nil {
			err = w.Append(&trace.Samples{Count: 3, Values: [][]float32{{1, 0.5, 0.25}}, Runs: [][]trace.Run{{{}}}})
		}
		if err == nil {
			err = w.Finish(trace.Statement{Complete: true})
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := report.Build(dir, html.Form(), workbook.Form()); err != nil {
		t.Fatal(err)
	}
	page, err := os.ReadFile(filepath.Join(dir, report.PageFile))
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(page), `<div class="viewer"`); n != 12 {
		t.Errorf("%d viewers", n)
	}
	if !strings.Contains(string(page), "Further recordings") || !strings.Contains(string(page), "more-13") {
		t.Error("the others are not listed")
	}
}
