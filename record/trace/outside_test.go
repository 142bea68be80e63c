package trace_test

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/big"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/parquet-go/parquet-go"

	"fourwire/record/trace"
)

// finished writes a trace with hand-overs and gaps and gives its folder.
func finished(t testing.TB, n int) (dir string, k *truth) {
	t.Helper()
	dir = t.TempDir()
	w := create(t, dir, head("day"))
	k = recorded(t, w, n, 21, 0.05)
	if err := w.Finish(trace.Statement{}); err != nil {
		t.Fatal(err)
	}
	return dir, k
}

// A reader that knows nothing but what the Parquet file says of itself gets every sample: rows by the file's own schema.
func TestParquetAloneHasEverything(t *testing.T) {
	dir, k := finished(t, 70_000)
	f, err := os.Open(filepath.Join(dir, "day.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	p, err := parquet.OpenFile(f, info.Size())
	if err != nil {
		t.Fatal(err)
	}
	about := map[string]string{}
	for _, kv := range p.Metadata().KeyValueMetadata {
		about[kv.Key] = kv.Value
	}
	var signals []trace.Signal
	var segments [][2]int64
	if err := json.Unmarshal([]byte(about["signals"]), &signals); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(about["segments"]), &segments); err != nil {
		t.Fatal(err)
	}
	if about["interval_s"] != "0.001" || about["start"] != "2026-03-01T12:00:00Z" || about["segment_count"] != fmt.Sprint(len(segments)) {
		t.Errorf("%v", about)
	}
	r := parquet.NewGenericReader[any](f, p.Schema())
	defer r.Close()
	rows, row := make([]any, 1000), 0
	seg, at := 0, int64(0)
	for {
		for i := range rows {
			rows[i] = map[string]any{}
		}
		n, err := r.Read(rows)
		for _, read := range rows[:n] {
			one := read.(map[string]any)
			if at == segments[seg][1] {
				seg, at = seg+1, 0
			}
			if index := segments[seg][0] + at; index != k.index[row] {
				t.Fatalf("row %d is sample %d, want %d", row, index, k.index[row])
			}
			for s := range 2 {
				count, rg := one[signals[s].Name].(int32), one[signals[s].Name+"_range"].(int32)
				if got := float64(count) * signals[s].Ranges[rg].Step; int64(count) != k.counts[s][row] || !near(got, k.number(s, row), 1e-15) {
					t.Fatalf("row %d: %s is %g, want %g", row, signals[s].Name, got, k.number(s, row))
				}
			}
			row, at = row+1, at+1
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if row != len(k.index) {
		t.Errorf("%d rows, want %d", row, len(k.index))
	}
}

// Readers of other makers see the same: where they are installed, FOURWIRE_HYPARQUET and FOURWIRE_DUCKDB name the folders of the npm packages
// hyparquet and @duckdb/node-api.
func TestOutsideReaders(t *testing.T) {
	if os.Getenv("FOURWIRE_HYPARQUET") == "" && os.Getenv("FOURWIRE_DUCKDB") == "" {
		t.Skip("neither FOURWIRE_HYPARQUET nor FOURWIRE_DUCKDB is set")
	}
	dir, k := finished(t, 150_000)
	multiples := map[string][]int64{"i": {1, 100, 10_000, 100_000}, "v": {1}}
	text, err := json.Marshal(multiples)
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), "node", "testdata/outside.mjs", filepath.Join(dir, "day.parquet"), string(text)).Output()
	if err != nil {
		t.Fatalf("%v: %s", err, err.(*exec.ExitError).Stderr)
	}
	type seen struct {
		Rows     int
		Sums     map[string]string
		Interval string
		Segments [][2]int64
	}
	var got map[string]seen
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatalf("%s: %v", out, err)
	}
	want := seen{Rows: len(k.index), Sums: map[string]string{}, Interval: "0.001"}
	for s, name := range []string{"i", "v"} {
		sum, _, _, _, _ := k.sum(s, 0, math.MaxInt64)
		want.Sums[name] = sum.String()
	}
	for i, at := range k.index {
		if i == 0 || k.index[i-1]+1 != at {
			want.Segments = append(want.Segments, [2]int64{at, 0})
		}
		want.Segments[len(want.Segments)-1][1]++
	}
	for name, one := range got {
		t.Logf("%s reads %d rows", name, one.Rows)
		if diff := cmp.Diff(want, one); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
	if len(got) == 0 {
		t.Error("nothing was read")
	}
}

// Sums of any size are those of numbers of any length.
func TestSums(t *testing.T) {
	big128 := new(big.Int).Lsh(big.NewInt(1), 100)
	for _, text := range []string{"0", "-1", "1", "9223372036854775807", "-9223372036854775808", "9223372036854775808", "-9223372036854775809", "18446744073709551616", "-18446744073709551616", big128.String(), "-" + big128.String()} {
		var s trace.Sum
		if err := s.UnmarshalText([]byte(text)); err != nil {
			t.Fatal(err)
		}
		b, _ := new(big.Int).SetString(text, 10)
		want, _ := new(big.Float).SetInt(b).Float64()
		if s.String() != text || s.Big().Cmp(b) != 0 || !near(s.Float64(), want, 1e-15) {
			t.Errorf("%s: %s, %g", text, s, s.Float64())
		}
		for _, more := range []int64{0, 1, -1, math.MaxInt64, math.MinInt64} {
			if got, want := s.Plus(trace.SumOf(more)).Big(), new(big.Int).Add(b, big.NewInt(more)); got.Cmp(want) != 0 {
				t.Errorf("%s + %d: %s, want %s", text, more, got, want)
			}
		}
	}
	for _, text := range []string{"", "x", "1.5", "1e3", new(big.Int).Lsh(big128, 60).String()} {
		var s trace.Sum
		if err := s.UnmarshalText([]byte(text)); err == nil {
			t.Errorf("%q is the sum %s", text, s)
		}
	}
}

// Steps that are left out are chosen, and those that are given must be multiples of the finest.
func TestSteps(t *testing.T) {
	for _, c := range []struct {
		name  string
		given []trace.Range
		want  []float64 // nil: refused
	}{
		{"chosen", []trace.Range{{Full: 1e-5}, {Full: 3e-3}, {Full: 0.1}, {Full: 1}}, []float64{1e-11, 1e-9, 1e-7, 1e-6}},
		{"given, with a rounding error", []trace.Range{{Full: 1e-3, Step: 1e-9}, {Full: 0.1, Step: 0.1 * 1e-6}}, []float64{1e-9, 1e-7}},
		{"binary", []trace.Range{{Full: 10, Step: 20.0 / 65536}, {Full: 20, Step: 40.0 / 65536}}, []float64{20.0 / 65536, 40.0 / 65536}},
		{"no multiple", []trace.Range{{Full: 1, Step: 1e-6}, {Full: 3, Step: 2.5e-6}}, nil},
		{"too fine", []trace.Range{{Full: 1, Step: 1e-10}}, nil},
		{"too far apart", []trace.Range{{Full: 1e-9, Step: 1e-15}, {Full: 1, Step: 1e-6}}, nil},
		{"no full scale", []trace.Range{{Step: 1e-6}}, nil},
		{"negative", []trace.Range{{Full: 1, Step: -1}}, nil},
		{"no number", []trace.Range{{Full: math.NaN()}}, nil},
		{"none", nil, nil},
		{"too many", slices.Repeat([]trace.Range{{Full: 1}}, 256), nil},
	} {
		got, err := trace.Steps(c.given)
		if (err != nil) != (c.want == nil) {
			t.Errorf("%s: %v", c.name, err)
		}
		for i := range c.want {
			if err == nil && !near(got[i].Step, c.want[i], 1e-12) {
				t.Errorf("%s: range %d has step %g, want %g", c.name, i+1, got[i].Step, c.want[i])
			}
		}
	}
}
