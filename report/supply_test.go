package report_test

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fourwire/record"
	"fourwire/report"
	"fourwire/report/html"
	"fourwire/report/reporttest"
	"fourwire/report/terminal"
)

// putInto writes a file of an analysis into a record.
func putInto(t *testing.T, dir, name string, one any) {
	t.Helper()
	data, err := json.Marshal(one)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(file), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, data, 0o666); err != nil {
		t.Fatal(err)
	}
}

// engineStart is a profile that its source cannot follow: a fall in 1 ms that it takes 20 ms for. Markup in it is text.
func engineStart() record.Profile {
	return record.Profile{Name: "feed-profile", Role: "feed", Channel: "feed-psu", Node: "dut.in", Preset: "start-pulse", Title: "Start of an engine <b>", Standard: "ISO 16750-2", Edition: "2010",
		Clause: "4.6.3", Basis: "from memory", By: "host", Steps: 12, Repeat: 3, GapSeconds: 1, LatestSeconds: 2e-3, WithinRelative: 0.02, WithinSeconds: 1e-3,
		OutsideSeconds: 0.019, WorstVolts: 5.5, WorstAtSeconds: 1e-3, Text: "feed-psu follows start-pulse setting by setting, outside of 2 % for 19 ms",
		Wanted: [][2]float64{{0, 12}, {1e-3, 6}, {0.1, 6}}, Expected: [][2]float64{{0, 12}, {20e-3, 6}, {0.1, 6}}}
}

// A supply that a source was taken through is drawn as asked for and as played, with its standard, edition and clause, whether its figures were read or
// remembered, and what the nearest achievable misses; scripts get the same.
func TestSuppliesInTheReport(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.Write(dir, reporttest.Options{}); err != nil {
		t.Fatal(err)
	}
	own := engineStart()
	own.Name, own.Preset, own.Standard, own.Basis, own.By, own.OutsideSeconds, own.Repeat = "feed-profile-2", "", "", "", "list", 0, 1
	putInto(t, dir, record.ProfileFile(own.Name), own)
	putInto(t, dir, record.ProfileFile("feed-profile"), engineStart())
	putInto(t, dir, record.RailsFile("board"), record.Rails{Name: "board", Order: "up", AllOffSeconds: 0.1, Rails: []record.Rail{
		{Role: "core", Node: "core", Volts: 1.2, OnSeconds: 0, GoodSeconds: math.NaN(), GoodU: math.NaN(), OffSeconds: 1}}})
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	r := report.New(rec)
	if len(r.Supplies) != 2 || r.Supplies[0].Heading != "start-pulse at dut.in by feed" || r.Supplies[1].Heading != "Points of the sequence at dut.in by feed" {
		t.Fatalf("%+v", r.Supplies)
	}
	s := r.Supplies[0]
	if len(s.Curve.Lines) != 2 || s.Curve.Lines[0].Name != "asked for" || s.Curve.Lines[1].Dots[1].X != 20e-3 {
		t.Errorf("%+v", s.Curve)
	}
	said := map[string]string{}
	for _, f := range s.Facts {
		said[f.Name] = f.Value
	}
	for name, want := range map[string]string{
		"Standard": "ISO 16750-2", "Edition": "2010", "Clause": "4.6.3", "Figures": "from memory: unverified, hold them against the standard",
		"Played by":          "the computer, 12 settings, the latest by 2 ms, 3 times with 1 s between",
		"Nearest achievable": "outside of 2 %, 1 ms early or late for 19 ms; worst 5.5 V off at 1 ms, by the source's model",
	} {
		if said[name] != want {
			t.Errorf("%s: %q, want %q", name, said[name], want)
		}
	}
	page, err := html.Page(r)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Supply over time", "start-pulse at dut.in by feed", "asked for", "one of 3", ">Rails<", ">1.2 V<", "Start of an engine &lt;b&gt;", "from memory: unverified"} {
		if !strings.Contains(string(page), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	var out bytes.Buffer
	terminal.Show(terminal.Stream{To: &out}, r)
	if !strings.Contains(out.String(), "feed-psu follows start-pulse setting by setting") {
		t.Error("the terminal does not tell of the supply")
	}
	var doc struct {
		Supplies []struct {
			Preset, Standard, Edition, Clause, Basis string
			Outside                                  float64 `json:"outside_s"`
			Wanted, Expected                         [][2]float64
		}
		Rails []struct {
			Name  string
			Rails []struct{ Good *float64 }
		}
	}
	data, err := report.JSON(rec)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, &doc); err != nil {
		t.Fatal(err)
	}
	if p := doc.Supplies; len(p) != 2 || p[0].Standard != "ISO 16750-2" || p[0].Basis != "from memory" || p[0].Outside != 0.019 || len(p[0].Wanted) != 3 || p[0].Expected[1][0] != 20e-3 {
		t.Errorf("%+v", p)
	}
	if q := doc.Rails; len(q) != 1 || q[0].Name != "board" || len(q[0].Rails) != 1 || q[0].Rails[0].Good != nil {
		t.Errorf("%+v", q)
	}
}

// What a sweep that ran by lists, or chose points of its own, says in the log stands in all forms; that it used fewer points than it might is no lack.
func TestHowSweepsWereStepped(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.Write(dir, reporttest.Options{}); err != nil {
		t.Fatal(err)
	}
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	rec.Planned = len(rec.Rows) + 9
	if text := notices(report.New(rec)); !strings.Contains(text, "planned points were measured") {
		t.Errorf("points that are missing are not told: %s", text)
	}
	fast := record.Event{Kind: "fast", Level: "info", Text: "the sweep over iout: 100 points from 2 lists"}
	for _, where := range []string{"vin 9 V", "vin 12 V"} {
		fast.Fields = map[string]any{"where": where}
		rec.Log = append(rec.Log, fast)
	}
	for _, x := range []float64{0.5, 0.25} {
		rec.Log = append(rec.Log, record.Event{Kind: "refined", Level: "debug", Fields: map[string]any{"value": x, "unit": "A"}})
	}
	rec.Log = append(rec.Log, record.Event{Kind: "refine", Level: "info", Text: "efficiency over iout: 2 points added to 12: the peak is bracketed"})
	r := report.New(rec)
	want := []string{"vin 9 V, vin 12 V: the sweep over iout: 100 points from 2 lists", "efficiency over iout: 2 points added to 12: the peak is bracketed. Added at 250 mA, 500 mA"}
	if len(r.Stepped) != 2 || r.Stepped[0].String() != want[0] || r.Stepped[1].String() != want[1] {
		t.Errorf("%v", r.Stepped)
	}
	if text := notices(r); strings.Contains(text, "planned") {
		t.Errorf("points that were not needed are missed: %s", text)
	}
	page, err := html.Page(r)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	terminal.Show(terminal.Stream{To: &out}, r)
	data, err := report.JSON(rec)
	if err != nil {
		t.Fatal(err)
	}
	for form, text := range map[string]string{"page": string(page), "terminal": strings.Join(strings.Fields(out.String()), " "), "scripts": string(data)} {
		if !strings.Contains(text, "2 points added to 12") || !strings.Contains(text, "100 points from 2 lists") {
			t.Errorf("%s: how sweeps were stepped is not told", form)
		}
	}
	rec.Reason = "a lead fell off"
	if text := notices(report.New(rec)); !strings.Contains(text, "planned points were measured") {
		t.Errorf("of a run that ended early nothing is missed: %s", text)
	}
}

func notices(r *report.Report) string {
	var all []string
	for _, n := range r.Notices {
		all = append(all, n.Text)
	}
	return strings.Join(all, "\n")
}

// Figures of a capture go to scripts with their limits and what came of these.
func TestCapturesForScripts(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteCapture(dir, false); err != nil {
		t.Fatal(err)
	}
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	rec.Verdicts = append(rec.Verdicts, record.Verdict{Point: 1, Limit: "droop <= 50 mV", Clause: "4.2", Outcome: record.Fail, Value: 0.0647, U: 0.0021, Bound: 0.05, Unit: "V", Side: record.AtMost})
	data, err := report.JSON(rec)
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Captures []struct {
			Trace, Trigger, Missed string
			Signals                []struct {
				Name      string
				Bandwidth *float64 `json:"bandwidth_Hz"`
			}
			Figures []struct {
				What, Unit, Missing string
				Value, U            *float64
				Limits              []struct {
					Limit, Outcome string
					Bound          float64
				}
			}
		}
	}
	if err := json.Unmarshal(data, &doc); err != nil {
		t.Fatal(err)
	}
	if len(doc.Captures) != 2 || !strings.Contains(doc.Captures[1].Missed, "within 2 s") {
		t.Fatalf("%+v", doc.Captures)
	}
	c := doc.Captures[0]
	if *c.Signals[0].Bandwidth != 1e5 || c.Signals[1].Bandwidth != nil {
		t.Errorf("%+v", c.Signals)
	}
	droop, recovery := c.Figures[0], c.Figures[1]
	if *droop.Value != 0.0647 || *droop.U != 0.0021 || len(droop.Limits) != 1 || droop.Limits[0].Outcome != "fail" || droop.Limits[0].Bound != 0.05 {
		t.Errorf("%+v", droop)
	}
	if recovery.Value != nil || recovery.Missing == "" || len(recovery.Limits) != 0 {
		t.Errorf("%+v", recovery)
	}
}

// An ideality is a number, whatever its size; an efficiency is a share, unless its limit is written as a number.
func TestNumbersThatAreNoShares(t *testing.T) {
	for want, got := range map[string]string{
		"1.0520 ± 0.0034":  report.FigureText("ideality", 1.052, 0.0034, "1"),
		"(71.3 ± 1.1) %":   report.FigureText("fill_factor", 0.713, 0.011, "1"),
		"(36.0 ± 1.1) mΩ":  report.FigureText("series", 0.036, 0.0011, "ohm"),
		"3":                report.FigureText("swings", 3, math.NaN(), "1"),
		"1.1000 ± 0.0040":  report.ValueText(record.Verdict{Limit: "1.05 <= n_d", Value: 1.1, U: 0.004, Unit: "1"}),
		"1":                report.ValueText(record.Verdict{Limit: "returns >= 1", Value: 1, U: math.NaN(), Unit: "1"}),
		"(90.12 ± 0.34) %": report.ValueText(record.Verdict{Limit: "efficiency >= 88 %", Value: 0.9012, U: 0.0034, Unit: "1"}),
		"(90.1 ± 1.2) %":   report.ValueText(record.Verdict{Limit: "efficiency >= goal_2", Value: 0.901, U: 0.012, Unit: "1"}),
		"(8.0 ± 1.2) mV":   report.ValueText(record.Verdict{Limit: "ripple <= 10 mV", Value: 0.008, U: 0.0012, Unit: "V"}),
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
