package e2e

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fourwire/record"
)

// runExample runs an example of the beacon by the command, as its README says.
func runExample(t *testing.T, file string, args ...string) (done, *record.Record) {
	t.Helper()
	out := filepath.Join(t.TempDir(), "record")
	d := fourwire(t, nil, append([]string{"run", filepath.Join(beaconExamples, file), "--out", out}, args...)...)
	if d.exit != 0 {
		t.Fatalf("exit %d\n%s\n%s", d.exit, d.out, d.err)
	}
	rec, err := record.Open(out)
	if err != nil {
		t.Fatal(err)
	}
	return d, rec
}

func figure(rec *record.Record, name string) float64 {
	for _, r := range rec.Results {
		if r.Name == name {
			return r.SI
		}
	}
	for _, p := range rec.Rows {
		if c, ok := p.Cells[name]; ok {
			return c.SI
		}
	}
	return 0
}

// The examples end with their limits met, and find what the scenario says: a sleep of 1.2 uA, a new firmware that takes a seventh less,
// an alkaline pair that outlasts the lithium cell by its capacity, a beacon that works below a tenth of its cell's charge. The full
// sizes are those that the files have by themselves.
func TestBeaconExamples(t *testing.T) {
	short := func(args ...string) []string {
		if long() {
			return nil
		}
		return args
	}
	for _, c := range []struct {
		file string
		args []string
		want map[string][2]float64 // by name: between
		says []string
	}{
		{"drain-day.yaml", short("--set", "time=2 h"), map[string][2]float64{"i_sleep": {1.19e-6, 1.21e-6}, "i_mean": {52e-6, 62e-6}, "t_report": {59, 61}, "q_report": {3.1e-3, 3.8e-3}},
			[]string{"Complete: every sample that was expected has been received", "mostly depends on capacity"}},
		{"firmware.yaml", short("--set", "time=1 h"), map[string][2]float64{"saved": {0.08, 0.20}, "sleep_b": {0.69e-6, 0.71e-6}}, []string{"better"}},
		{"life.yaml", nil, map[string][2]float64{"life_lithium": {2 * 3.156e7, 3 * 3.156e7}, "life_alkaline": {3.5 * 3.156e7, 5 * 3.156e7}}, nil},
		{"brown-out.yaml", short("--set", "soc=[8 %, 6 %]", "--set", "time=70 s"), map[string][2]float64{"works_down_to": {0.06, 0.08}}, nil},
	} {
		t.Run(c.file, func(t *testing.T) {
			d, rec := runExample(t, c.file, c.args...)
			for name, span := range c.want {
				if x := figure(rec, name); x < span[0] || x > span[1] {
					t.Errorf("%s = %g, which is not in %g..%g", name, x, span[0], span[1])
				}
			}
			for _, text := range append(c.says, "PASS") {
				if !strings.Contains(unfolded(d.out), text) {
					t.Errorf("it does not say %q:\n%s", text, d.out)
				}
			}
			for _, p := range rec.Rows {
				if !p.Valid {
					t.Errorf("point %d: %s", p.Number, p.Why)
				}
			}
			if c.file == "firmware.yaml" {
				against := drainOf(t, rec.Dir, "firmware_b").Against
				if against == nil || against.Trace != "firmware_a" || len(against.CCDF) < 10 || len(against.Lines) < 5 {
					t.Errorf("against the other firmware: %+v", against)
				}
			}
			t.Logf("%v, peak memory %.0f MB", d.took.Round(10*time.Millisecond), float64(d.peak)/1e6)
		})
	}
	readme, err := os.ReadFile(filepath.Join(beaconExamples, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob(filepath.Join(beaconExamples, "*.yaml"))
	if err != nil || len(files) < 6 {
		t.Fatalf("%v, %v", files, err)
	}
	for _, f := range files {
		if !strings.Contains(string(readme), filepath.Base(f)) {
			t.Errorf("the README does not name %s", filepath.Base(f))
		}
	}
}

// A day at 1000 samples a second by the command: simulated, recorded, looked through and reported; the full size is a day, and two and
// seven of them, which shows that time goes with the length; memory grows with the events alone. Of the times only the full size is judged: 60 s for a day
// was promised for two cores.
func TestADayOfTheBeacon(t *testing.T) {
	spans := []string{"1 h", "3 h"}
	if long() {
		spans = []string{"24 h", "48 h", "168 h"}
	}
	for _, span := range spans {
		d, rec := runExample(t, "drain-day.yaml", "--set", "time="+span)
		recorded, analysed := d.saidAt(t, "no gap"), d.saidAt(t, "day: mean")
		days := figureSeconds(t, span) / 86400
		report := fourwire(t, nil, "report", rec.Dir)
		if report.exit != 0 {
			t.Errorf("report: %s", report.err)
		}
		if d.peak > 300e6 || report.peak > 300e6 {
			t.Errorf("%s: %d MB of memory, the report alone %d MB", span, d.peak/1e6, report.peak/1e6)
		}
		if span == "24 h" && d.took > time.Minute {
			t.Errorf("%s took %v", span, d.took)
		}
		t.Logf("%s: %.2f s in all, %.2f s a day: simulate and record %.2f s, analyse %.2f s, report and the rest %.2f s (report alone %.2f s); peak memory %.0f MB, of the report alone %.0f MB", span,
			d.took.Seconds(), d.took.Seconds()/days, recorded.Seconds(), (analysed - recorded).Seconds(), (d.took - analysed).Seconds(), report.took.Seconds(), float64(d.peak)/1e6, float64(report.peak)/1e6)
	}
}

func figureSeconds(t *testing.T, span string) float64 {
	t.Helper()
	var x float64
	var unit string
	if _, err := fmt.Sscanf(span, "%g %s", &x, &unit); err != nil {
		t.Fatal(err)
	}
	return x * map[string]float64{"min": 60, "h": 3600}[unit]
}
