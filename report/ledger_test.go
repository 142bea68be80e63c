package report_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fourwire/internal/ledger"
	"fourwire/record"
	"fourwire/report"
	"fourwire/report/reporttest"
)

// Shares, savings and the prediction, worked out by hand from the account of 62.3 s: 50 s of it are a fixed wait.
func TestWhereTheTimeWent(t *testing.T) {
	r := report.New(load(t, reporttest.Options{Time: true}))
	s := r.Time
	if s == nil {
		t.Fatal("the report has no account")
	}
	want := []string{
		"without the 500 ms wait at line 23 the run takes 12.3 s instead of 62.3 s",
		"without the processing at line 22 (load sink iout) the run takes 59.3 s instead of 62.3 s",
		"without the processing at line 24 (measure vi, ii, vo, io) the run takes 59.8 s instead of 62.3 s",
		"without the apertures at line 24 (measure vi, ii, vo, io) the run takes 60.0 s instead of 62.3 s", // 60.05
		"without the settling at line 18 (settle v(dut.out)) the run takes 60.8 s instead of 62.3 s",
	}
	var got []string
	for _, x := range s.Savings {
		got = append(got, x.Text)
		if math.Abs(x.Without+x.Seconds-s.WallSeconds) > 1e-9 {
			t.Errorf("%v and %v do not make %v", x.Without, x.Seconds, s.WallSeconds)
		}
	}
	if !slices.Equal(want, got) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if s.Savings[0].Count != 100 || s.Savings[3].Count != 103 {
		t.Errorf("counted %d and %d times", s.Savings[0].Count, s.Savings[3].Count)
	}
	sum, shares := 0.0, 0.0
	for _, k := range s.Kinds {
		sum, shares = sum+k.Seconds, shares+k.Share
		if k.Kind == ledger.ReadBack && (k.Seconds != 0 || k.Predicted != 0.1) || k.Kind == ledger.Settle && !math.IsNaN(k.Predicted) {
			t.Errorf("%s: %v s, predicted %v s", k.Kind, k.Seconds, k.Predicted)
		}
		if k.About() == "" {
			t.Errorf("nothing says what goes into %s", k.Kind)
		}
	}
	if math.Abs(sum-62.3) > 1e-9 || math.Abs(shares-1) > 1e-9 || math.Abs(s.HostShare()-1/62.3) > 1e-12 || math.Abs(s.PredictedSeconds()-57.1) > 1e-9 {
		t.Errorf("together %v s, %v; host %v; predicted %v s", sum, shares, s.HostShare(), s.PredictedSeconds())
	}
	if s.Steps[0].Place != "line 23" || s.Steps[0].Seconds != 50 || s.Steps[1].Place != "line 24" || math.Abs(s.Steps[1].Seconds-5.5) > 1e-9 {
		t.Errorf("by step: %+v", s.Steps[:2])
	}
	if text := strings.Join(s.Notes, " "); !strings.Contains(text, "2 parts") {
		t.Errorf("notes: %s", text)
	}
	if text := s.Headline(); text != "62.3 s: fixed wait 80 %, processing 8.8 %, aperture 3.6 %, settle 2.4 %, host 1.6 %" {
		t.Error(text)
	}
	if p := s.Instruments[1]; p.Name != "feed-psu" || p.Wire != "300 µs" || p.Processing != "4.0 ms" || p.Up != "12 ms to 24 ms" || p.Down != "at most 1.06 s" {
		t.Errorf("%+v", p)
	}
}

// In virtual time the program takes none, and the report says why.
func TestTimeOfASimulatedBench(t *testing.T) {
	rec := load(t, reporttest.Options{})
	account := `{"fourwire":"ledger/1","wall_s":10,"virtual":true,"spans":[{"kind":"settle","step":"a.yaml:3:4","seconds":8},{"kind":"range","step":"b.yaml:3:4","seconds":2}],"missing":1,"covers":[{"wall_s":10,"after":12}]}`
	if err := os.WriteFile(filepath.Join(rec.Dir, record.LedgerFile), []byte(account), 0o666); err != nil {
		t.Fatal(err)
	}
	s := report.New(rec).Time
	if s == nil || s.Headline() != "10.0 s: settle 80 %, range 20 %, host 0 (virtual time)" {
		t.Fatalf("%+v", s)
	}
	if text := strings.Join(s.Notes, " "); !strings.Contains(text, "stands still while the program computes") || !strings.Contains(text, "after 12 points; of 1 part before that there is no account") {
		t.Error(text)
	}
	if s.Savings[0].Place != "a.yaml, line 3" || s.Savings[1].Place != "b.yaml, line 3" { // two files: a line alone would not do
		t.Errorf("%+v", s.Savings)
	}
}

// The document has the same numbers.
func TestTimeInTheDocument(t *testing.T) {
	data, err := report.JSON(load(t, reporttest.Options{Time: true}))
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		Time struct {
			Wall  float64 `json:"wall_s"`
			Kinds []struct {
				Kind string
				S    float64
			}
			Top []struct {
				Kind, Step string
				Without    float64 `json:"without_s"`
			}
		}
	}
	if err := json.Unmarshal(data, &d); err != nil {
		t.Fatal(err)
	}
	if d.Time.Wall != 62.3 || len(d.Time.Top) != 5 || d.Time.Top[0].Step != "line.yaml:23:9" || math.Abs(d.Time.Top[0].Without-12.3) > 1e-9 || len(d.Time.Kinds) != 10 {
		t.Errorf("%+v", d.Time)
	}
	if data, err = report.JSON(load(t, reporttest.Options{})); err != nil || strings.Contains(string(data), `"time"`) {
		t.Errorf("a record without an account has one in its document: %v", err)
	}
}

// An account that cannot be believed is not shown, and the report says why.
func TestAnAccountThatDoesNotAddUp(t *testing.T) {
	rec := load(t, reporttest.Options{})
	if err := os.WriteFile(filepath.Join(rec.Dir, record.LedgerFile), []byte(`{"fourwire":"ledger/1","wall_s":10,"spans":[{"kind":"host","seconds":9}]}`), 0o666); err != nil {
		t.Fatal(err)
	}
	r := report.New(rec)
	told := slices.ContainsFunc(r.Notices, func(n report.Notice) bool { return strings.Contains(n.Text, "does not add up") })
	if r.Time != nil || !told {
		t.Errorf("%+v %+v", r.Time, r.Notices)
	}
}
