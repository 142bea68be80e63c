package sweep_test

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"fourwire/analysis/sweep"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

var nan = math.NaN()

// exact is a column without errors.
func exact(dim quantity.Dimension, values ...float64) sweep.Values {
	var out sweep.Values
	for _, x := range values {
		out = append(out, measured.Exact(quantity.Of(x, dim)))
	}
	return out
}

// read is a column of one meter: a gain and an offset error that all readings share, and scatter of each.
func read(l *measured.Ledger, meter string, dim quantity.Dimension, gain, offset, scatter float64, values ...float64) sweep.Values {
	g := l.Shared(measured.Input{Name: meter + " gain", Kind: measured.Gain, Shape: measured.Rectangular})
	o := l.Shared(measured.Input{Name: meter + " offset", Kind: measured.Offset, Shape: measured.Rectangular})
	var out sweep.Values
	for _, x := range values {
		out = append(out, measured.New(quantity.Of(x, dim), measured.Term{Input: g, Part: gain * x}, measured.Term{Input: o, Part: offset},
			measured.Term{Input: l.Own(measured.Input{Kind: measured.Noise}), Part: scatter}))
	}
	return out
}

func one(x float64, dim quantity.Dimension) measured.Value {
	return measured.Exact(quantity.Of(x, dim))
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.9g, want %.9g", what, got, want)
	}
}

// table reads a file of testdata: its columns by name.
func table(t testing.TB, name string) map[string][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]string{}
	for _, row := range all[1:] {
		for i, cell := range row {
			out[all[0][i]] = append(out[all[0][i]], cell)
		}
	}
	return out
}

func number(t testing.TB, text string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// By hand, from five points of which one has no value.
func TestColumns(t *testing.T) {
	var l measured.Ledger
	v := read(&l, "dmm", quantity.Voltage, 0, 1e-3, 2e-3, 5.02, 5.01, nan, 5.00, 4.90)
	x := exact(quantity.Current, 1, 2, 3, 4, 5)
	for _, c := range []struct {
		what    string
		figure  func() (measured.Value, error)
		want, u float64
	}{
		{"least", func() (measured.Value, error) { return sweep.Least(v) }, 4.90, math.Hypot(1e-3, 2e-3)},
		{"greatest", func() (measured.Value, error) { return sweep.Greatest(v) }, 5.02, math.Hypot(1e-3, 2e-3)},
		{"the offset cancels in the span", func() (measured.Value, error) { return sweep.Span(v) }, 0.12, 2e-3 * math.Sqrt2},
		{"the offset stays in the mean, scatter averages", func() (measured.Value, error) { return sweep.Mean(v) }, 19.93 / 4, math.Hypot(1e-3, 1e-3)},
		{"where least", func() (measured.Value, error) { return sweep.WhereLeast(v, x) }, 5, 0},
		{"where greatest", func() (measured.Value, error) { return sweep.WhereGreatest(v, x) }, 1, 0},
		{"first", func() (measured.Value, error) { return sweep.First(v) }, 5.02, math.Hypot(1e-3, 2e-3)},
		{"last", func() (measured.Value, error) { return sweep.Last(v) }, 4.90, math.Hypot(1e-3, 2e-3)},
	} {
		got, err := c.figure()
		if err != nil {
			t.Fatalf("%s: %v", c.what, err)
		}
		near(t, c.what, got.X, c.want, 1e-12)
		near(t, "u of "+c.what, got.Std(), c.u, 1e-12)
	}
	if n := len(sweep.Usable(v)); n != 4 {
		t.Errorf("%d usable values", n)
	}
	if _, err := sweep.Mean(exact(quantity.Voltage, nan, math.Inf(1))); !errors.Is(err, sweep.ErrNoPoint) {
		t.Errorf("a mean of nothing: %v", err)
	}
}
