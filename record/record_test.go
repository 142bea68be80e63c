package record_test

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/record"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func start(c clock.Clock) record.Start {
	seed := uint64(7)
	return record.Start{Tool: "fourwire test", Title: "Buoy 5 V converter", Seed: &seed, Clock: c,
		Instruments: []record.Instrument{{Name: "feed-psu", Serial: "S1001"}},
		Curves:      []record.Curve{{X: "vin", Y: "efficiency"}}}
}

var columns = []record.Column{
	{Name: "vin", Kind: record.Coordinate, Dim: quantity.Voltage},
	{Name: "efficiency", Kind: record.Derived, Expr: "pout / pin"},
}

func point(n int) record.Point {
	return record.Point{Number: n, At: time.Duration(n) * time.Second, Valid: true, Settled: true, Cells: map[string]record.Cell{
		"vin": {SI: 12, U: math.NaN()}, "efficiency": {SI: 0.9 + float64(n)/1000, U: 0.003},
	}}
}

func write(t *testing.T, dir string, v *clock.Virtual) *record.Writer {
	t.Helper()
	w, err := record.Create(dir, start(v))
	if err != nil {
		t.Fatal(err)
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(w.Input("line.yaml", []byte("fourwire: sequence/1\n")))
	must(w.Columns(columns, false))
	for n := 1; n <= 3; n++ {
		must(v.Sleep(t.Context(), time.Second))
		must(w.Point(point(n)))
		must(w.Verdict(record.Verdict{Point: n, Limit: "efficiency >= 88 %", Outcome: record.Pass, Value: 0.9, U: math.NaN(), Bound: 0.88, Unit: "1"}))
	}
	must(w.Result(record.Result{Name: "worst", Expr: "min(efficiency)", Unit: "1", SI: 0.901, U: 0.003}))
	must(w.Event(record.Event{Level: "warn", Kind: "note", Text: "feed is warm", Fields: map[string]any{"degC": 41.5, "time": "not taken"}}))
	return w
}

func TestRecordComesBack(t *testing.T) {
	v := clock.NewVirtual(noon)
	dir := filepath.Join(t.TempDir(), "r")
	w := write(t, dir, v)
	w.Wire(v.Now(), "feed-psu", "sim:feed-psu", true, []byte("VOLT 12\n"))
	if err := w.Finish(record.End{Outcome: record.Pass}); err != nil {
		t.Fatal(err)
	}
	r, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Problems) > 0 || !r.Finished {
		t.Errorf("problems %q, finished %v", r.Problems, r.Finished)
	}
	if len(r.Rows) != 3 || r.Rows[2].Cells["efficiency"].SI != 0.903 || r.Rows[2].At != 3*time.Second {
		t.Errorf("rows %+v", r.Rows)
	}
	if r.DurationSeconds != 3 || !r.Ended.Equal(noon.Add(3*time.Second)) {
		t.Errorf("lasted %v s, ended %v", r.DurationSeconds, r.Ended)
	}
	if r.Counts.Pass != 3 || !math.IsNaN(r.Verdicts[0].U) || r.Verdicts[0].Bound != 0.88 || *r.Seed != 7 {
		t.Errorf("counts %+v, verdict %+v", r.Counts, r.Verdicts[0])
	}
	if r.Columns[0].Unit != "V" || r.Columns[0].Dim != quantity.Voltage || r.Columns[1].Unit != "1" {
		t.Errorf("columns %+v", r.Columns)
	}
	// RFC 9562, clause 5.7: version 7 in the 13th digit, variant 10 in the 17th, milliseconds in the first 48 bits
	if id := r.ID; id[14] != '7' || !strings.ContainsRune("89ab", rune(id[19])) || !strings.HasPrefix(id, millis(noon)) {
		t.Errorf("%s is no UUIDv7 of %v", id, noon)
	}
	if changed, err := r.Verify(); err != nil || len(changed) > 0 {
		t.Errorf("verify: %q %v", changed, err)
	}
	last := r.Log[len(r.Log)-2]
	if last.Text != "feed is warm" || last.Kind != "note" || last.Fields["degC"] != 41.5 || last.At != 3*time.Second {
		t.Errorf("event %+v", last)
	}
}

func millis(at time.Time) string {
	h := fmt.Sprintf("%012x", at.UnixMilli())
	return h[:8] + "-" + h[8:]
}

func TestRunWithoutAnEndIsReadFromItsLog(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	w := write(t, dir, clock.NewVirtual(noon))
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	tear(t, filepath.Join(dir, record.LogFile), 5)
	tear(t, filepath.Join(dir, record.PointsFile), 5)
	r, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if r.Finished || r.Title != "Buoy 5 V converter" || len(r.Rows) != 2 || len(r.Verdicts) != 3 || len(r.Results) != 1 || r.Reason == "" {
		t.Errorf("finished %v, %q, %d rows, %d verdicts, %d results, %q", r.Finished, r.Title, len(r.Rows), len(r.Verdicts), len(r.Results), r.Reason)
	}
	all := strings.Join(r.Problems, "\n")
	for _, want := range []string{"record.json", "log.jsonl: the last line is torn", "points.csv:4: the row is torn"} {
		if !strings.Contains(all, want) {
			t.Errorf("%q is not reported in %q", want, all)
		}
	}
}

func tear(t *testing.T, path string, bytes int64) {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, info.Size()-bytes); err != nil {
		t.Fatal(err)
	}
}

// A log cut at any byte must still open once its first line is there.
func TestLogTruncatedAtEveryLength(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	w := write(t, dir, clock.NewVirtual(noon))
	w.Close()
	path := filepath.Join(dir, record.LogFile)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	first := bytes.IndexByte(data, '\n')
	for n := len(data); n >= 0; n-- {
		if err := os.Truncate(path, int64(n)); err != nil {
			t.Fatal(err)
		}
		r, err := record.Open(dir)
		if (err == nil) != (n > first) {
			t.Fatalf("cut at %d (first line ends at %d): %v", n, first, err)
		}
		if err == nil && len(r.Rows) != 3 {
			t.Fatalf("cut at %d: %d rows", n, len(r.Rows))
		}
	}
}

func TestVerifySeesEveryChange(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	if err := write(t, dir, clock.NewVirtual(noon)).Finish(record.End{Outcome: record.Pass}); err != nil {
		t.Fatal(err)
	}
	points := filepath.Join(dir, record.PointsFile)
	data, _ := os.ReadFile(points)
	os.WriteFile(points, bytes.Replace(data, []byte("0.901"), []byte("0.951"), 1), 0o666)
	os.Remove(filepath.Join(dir, "inputs", "line.yaml"))
	os.WriteFile(filepath.Join(dir, "inputs", "other.yaml"), nil, 0o666)
	// a report made afterwards must not launder the change
	if err := record.Attach(dir, record.Attachment{Name: "report.html", Data: []byte("<p>")}); err != nil {
		t.Fatal(err)
	}
	r, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	changed, err := r.Verify()
	if err != nil {
		t.Fatal(err)
	}
	all := strings.Join(changed, "\n")
	for _, want := range []string{"points.csv was changed", "inputs/line.yaml is missing", "inputs/other.yaml is not in the manifest"} {
		if !strings.Contains(all, want) {
			t.Errorf("%q is not among %q", want, changed)
		}
	}
	if len(changed) != 3 {
		t.Errorf("%q: three changes were made", changed)
	}
	if err := record.Attach(dir, record.Attachment{Name: record.PointsFile}); err == nil {
		t.Error("points.csv was replaced by an attachment")
	}
}

func TestRecordIsNeverWrittenOver(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	write(t, dir, clock.NewVirtual(noon)).Close()
	if _, err := record.Create(dir, start(nil)); err == nil || !strings.Contains(err.Error(), "never written over") {
		t.Errorf("a second record in the same folder: %v", err)
	}
}

func TestInputNamesStayInsideTheFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "r")
	w, err := record.Create(dir, start(nil))
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	for _, in := range []struct{ name, data, want string }{
		{"../../line.yaml", "a", "line.yaml"},
		{"other/line.yaml", "b", "line-2.yaml"},
		{"line.yaml", "a", "line.yaml"},
		{`C:\bench\b?.yaml`, "c", "b_.yaml"},
		{"..", "d", "input"},
	} {
		if err := w.Input(in.name, []byte(in.data)); err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(filepath.Join(dir, "inputs", in.want))
		if err != nil || string(got) != in.data {
			t.Errorf("%s: inputs/%s holds %q, %v", in.name, in.want, got, err)
		}
	}
}

func TestWireKeepsEveryByte(t *testing.T) {
	v := clock.NewVirtual(noon)
	dir := filepath.Join(t.TempDir(), "r")
	w, err := record.Create(dir, start(v))
	if err != nil {
		t.Fatal(err)
	}
	long := bytes.Repeat([]byte{1, 2, 3, 4}, 5000)
	messages := [][]byte{[]byte("MEAS:VOLT?\n"), []byte("+1.2E+01\r\n"), {0, 0xff, '#'}, []byte(`say "µ\"` + "\u2028"), {}, long}
	var all sync.WaitGroup // instruments answer side by side
	for i, m := range messages {
		all.Go(func() {
			w.Wire(noon.Add(time.Duration(i)*time.Millisecond), "dmm-in", "tcp://127.0.0.1:5025", i%2 == 0, m)
		})
	}
	all.Wait()
	if err := w.Finish(record.End{}); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(filepath.Join(dir, record.WireFile))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	seen := 0
	for s := bufio.NewScanner(f); s.Scan(); seen++ {
		var line struct {
			T                       float64
			Time                    time.Time
			Instrument, Dir, SHA256 string
			Text, Base64            *string
			Length                  int
		}
		if err := json.Unmarshal(s.Bytes(), &line); err != nil {
			t.Fatalf("%s: %v", s.Bytes(), err)
		}
		i := int(math.Round(line.T * 1000))
		var got []byte
		if line.Text != nil {
			got = []byte(*line.Text)
		} else if got, err = base64.StdEncoding.DecodeString(*line.Base64); err != nil {
			t.Fatal(err)
		}
		want := messages[i]
		if len(want) > 4096 {
			sum := sha256.Sum256(want)
			if line.Length != len(want) || line.SHA256 != hex.EncodeToString(sum[:]) {
				t.Errorf("long block: length %d, hash %s", line.Length, line.SHA256)
			}
			want = want[:256]
		}
		if !bytes.Equal(got, want) || (line.Dir == "out") != (i%2 == 0) || line.Instrument != "dmm-in" {
			t.Errorf("message %d came back as %q, %s", i, got, line.Dir)
		}
	}
	if seen != len(messages) {
		t.Errorf("%d lines for %d messages", seen, len(messages))
	}
}

// Of an answer with a long block, what is before the data is kept, and how much data there was.
func TestWireKeepsWhatIsBeforeABlock(t *testing.T) {
	data := bytes.Repeat([]byte{0, 0x80, '"', '#'}, 4096)
	for _, c := range []struct {
		name, head string
		rest       []byte
		block      int
		text       string // empty: the first 256 bytes as ever
	}{
		{"samples", `4096,4096,0,"0:3,1523:5",#516384`, append(bytes.Clone(data), '\n'), 16384, `4096,4096,0,"0:3,1523:5",#516384`},
		{"a number sign in a string is no block", `"#15",#516384`, data, 16384, `"#15",#516384`},
		{"a block alone", "#516384", data, 16384, "#516384"},
		{"a block that is cut", "0,#516385", data, 0, ""},
		{"an indefinite block", "#0", data, 0, ""},
		{"no block", "", bytes.Repeat([]byte("1.5,"), 2000), 0, strings.Repeat("1.5,", 64)},
		{"text before it that cannot be text", "\x00#516384", data, 0, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "r")
			w, err := record.Create(dir, start(clock.NewVirtual(noon)))
			if err != nil {
				t.Fatal(err)
			}
			message := append([]byte(c.head), c.rest...)
			w.Wire(noon, "smu", "tcp://127.0.0.1:5025", false, message)
			if err := w.Finish(record.End{}); err != nil {
				t.Fatal(err)
			}
			got, err := os.ReadFile(filepath.Join(dir, record.WireFile))
			if err != nil {
				t.Fatal(err)
			}
			var line struct {
				Text          string
				Base64        []byte
				Block, Length int
				SHA256        string
			}
			if err := json.Unmarshal(got, &line); err != nil {
				t.Fatal(err)
			}
			sum := sha256.Sum256(message)
			if line.Block != c.block || line.Text != c.text || line.Length != len(message) || line.SHA256 != hex.EncodeToString(sum[:]) || c.text == "" && !bytes.Equal(line.Base64, message[:256]) {
				t.Errorf("%s", got)
			}
		})
	}
}

func TestMisuseIsRefused(t *testing.T) {
	w, err := record.Create(filepath.Join(t.TempDir(), "r"), start(nil))
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Point(point(1)); err == nil {
		t.Error("a point before the columns was taken")
	}
	if err := w.Columns([]record.Column{{Name: "status", Kind: record.Measured}}, false); err == nil {
		t.Error("a column named status was taken")
	}
	if err := w.Columns([]record.Column{columns[0], columns[0]}, false); err == nil {
		t.Error("a column was taken twice")
	}
	if err := w.Columns(columns, false); err != nil {
		t.Fatal(err)
	}
	if err := w.Point(record.Point{Cells: map[string]record.Cell{"vout": {}}}); err == nil {
		t.Error("a value for no column was taken")
	}
	if err := w.Finish(record.End{}); err != nil {
		t.Fatal(err)
	}
	if err := w.Finish(record.End{}); err == nil {
		t.Error("a record was finished twice")
	}
	if err := w.Point(point(1)); err == nil {
		t.Error("a point was taken after the end")
	}
}

// FuzzOpen: no content of the files makes the reader panic, and what it gives can be shown as JSON.
func FuzzOpen(f *testing.F) {
	f.Add([]byte(`{"fourwire":"record/1","title":"x","columns":[{"name":"vin","kind":"coordinate","unit":"V"}],"verdicts":[{"value":null}]}`), []byte("{}\n"), []byte("point,time_s,status\n"))
	f.Add([]byte("{"), []byte(`{"kind":"start","start":{"title":"x"},"t":1e99}`+"\n"+`{"kind":"verdict","verdict":{"limit":3}}`+"\n"), []byte(""))
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, manifest, log, points []byte) {
		for name, data := range map[string][]byte{record.ManifestFile: manifest, record.LogFile: log, record.PointsFile: points} {
			if err := os.WriteFile(filepath.Join(dir, name), data, 0o666); err != nil {
				t.Fatal(err)
			}
		}
		r, err := record.Open(dir)
		if err != nil {
			return
		}
		if _, err := json.Marshal(r.Manifest); err != nil {
			t.Fatal(err)
		}
	})
}

func BenchmarkWire(b *testing.B) {
	w, err := record.Create(filepath.Join(b.TempDir(), "r"), start(nil))
	if err != nil {
		b.Fatal(err)
	}
	defer w.Close()
	at := noon
	b.ReportAllocs()
	for b.Loop() {
		w.Wire(at, "dmm-in", "tcp://127.0.0.1:5025", true, []byte("MEAS:VOLT?\n"))
	}
}

func BenchmarkPoint(b *testing.B) {
	w, err := record.Create(filepath.Join(b.TempDir(), "r"), start(nil))
	if err != nil {
		b.Fatal(err)
	}
	defer w.Close()
	if err := w.Columns(columns, false); err != nil {
		b.Fatal(err)
	}
	p := point(1)
	b.ReportAllocs()
	for b.Loop() {
		if err := w.Point(p); err != nil {
			b.Fatal(err)
		}
	}
}
