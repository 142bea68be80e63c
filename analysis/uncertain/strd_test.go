package uncertain_test

import (
	"bufio"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"fourwire/analysis/uncertain"
)

// dataset is a file of the NIST/ITL Statistical Reference Datasets; its certified values stand in its own header.
type dataset struct {
	columns   map[string][]float64
	n         int
	certified string
}

func strd(t *testing.T, name string) dataset {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", "nist-strd", name+".csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	d := dataset{columns: map[string][]float64{}}
	var names []string
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		line := lines.Text()
		switch {
		case strings.HasPrefix(line, "#"):
			d.certified += line + "\n"
		case names == nil:
			names = strings.Split(line, ",")
		default:
			for i, text := range strings.Split(line, ",") {
				v, err := strconv.ParseFloat(text, 64)
				if err != nil {
					t.Fatal(err)
				}
				d.columns[names[i]] = append(d.columns[names[i]], v)
			}
			d.n++
		}
	}
	return d
}

// value finds a certified number such as "mean" or "B3 estimate".
func (d dataset) value(t *testing.T, key string) float64 {
	t.Helper()
	m := regexp.MustCompile(regexp.QuoteMeta(key) + `=(\S+)`).FindStringSubmatch(d.certified)
	if m == nil {
		t.Fatalf("no certified %q in\n%s", key, d.certified)
	}
	v, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// digits is the number of significant digits in which got and want agree.
func digits(got, want float64) float64 {
	if got == want {
		return 15
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}

func TestUnivariateSets(t *testing.T) {
	for name, sdDigits := range map[string]float64{
		"pidigits": 14, "lottery": 14, "lew": 14, "mavro": 12, "michelso": 13, "numacc1": 14, "numacc2": 14,
		"numacc3": 9, "numacc4": 8, // 0.1 beside 1e6 and 1e7: the data themselves are rounded in float64
	} {
		d := strd(t, name)
		s := uncertain.Describe(d.columns["y"])
		if got, want := s.Mean, d.value(t, "mean"); digits(got, want) < 14 {
			t.Errorf("%s: mean %v, certified %v", name, got, want)
		}
		if got, want := s.SD, d.value(t, "sd(n-1)"); digits(got, want) < sdDigits {
			t.Errorf("%s: standard deviation %v, certified %v: %.1f digits", name, got, want, digits(got, want))
		}
		if got, want := s.Lag1, d.value(t, "lag1_autocorrelation"); digits(got, want) < sdDigits-1 {
			t.Errorf("%s: autocorrelation %v, certified %v: %.1f digits", name, got, want, digits(got, want))
		}
	}
}

func TestLinearRegressionSets(t *testing.T) {
	powers := func(from, to int) func(d dataset, i int) []float64 {
		return func(d dataset, i int) []float64 {
			var row []float64
			for p := from; p <= to; p++ {
				row = append(row, math.Pow(d.columns["x"][i], float64(p)))
			}
			return row
		}
	}
	for _, c := range []struct {
		name  string
		row   func(d dataset, i int) []float64
		first int // number of the first coefficient
		want  float64
	}{
		{"norris", powers(0, 1), 0, 12}, {"pontius", powers(0, 2), 0, 11}, {"noint1", powers(1, 1), 1, 13}, {"noint2", powers(1, 1), 1, 13},
		{"wampler1", powers(0, 5), 0, 8}, {"wampler5", powers(0, 5), 0, 5}, {"filip", powers(0, 10), 0, 6},
		{"longley", func(d dataset, i int) []float64 {
			row := []float64{1}
			for _, x := range []string{"x1", "x2", "x3", "x4", "x5", "x6"} {
				row = append(row, d.columns[x][i])
			}
			return row
		}, 0, 10},
	} {
		d := strd(t, c.name)
		var rows [][]float64
		for i := range d.n {
			rows = append(rows, c.row(d, i))
		}
		fit, err := uncertain.LeastSquares(rows, d.columns["y"], c.first == 0)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		for j, got := range fit.Coefficients {
			key := "B" + strconv.Itoa(c.first+j) + " estimate"
			if want := d.value(t, key); digits(got, want) < c.want {
				t.Errorf("%s: %s %v, certified %v: %.1f digits", c.name, key, got, want, digits(got, want))
			}
		}
		if c.name == "wampler1" {
			continue // an exact polynomial: its residual is rounding alone
		}
		if want := d.value(t, "residual_sd"); digits(fit.ResidualSD, want) < 7 {
			t.Errorf("%s: residual %v, certified %v", c.name, fit.ResidualSD, want)
		}
		if want := d.value(t, "R2"); digits(fit.R2, want) < 7 {
			t.Errorf("%s: R2 %v, certified %v", c.name, fit.R2, want)
		}
		m := regexp.MustCompile(`B` + strconv.Itoa(c.first) + ` estimate=\S+ sd=(\S+)`).FindStringSubmatch(d.certified)
		want, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		if digits(fit.Std[0], want) < 5 {
			t.Errorf("%s: standard deviation of the first coefficient %v, certified %v", c.name, fit.Std[0], want)
		}
	}
}

func TestLeastSquaresRefuses(t *testing.T) {
	if _, err := uncertain.LeastSquares([][]float64{{1, 2}}, []float64{1}, true); err == nil {
		t.Error("one observation gave two coefficients")
	}
	if _, err := uncertain.LeastSquares([][]float64{{1, 0}, {1, 0}, {1, 0}}, []float64{1, 2, 3}, true); err == nil {
		t.Error("a column of zeros was taken")
	}
	if _, err := uncertain.LeastSquares(nil, nil, true); err == nil {
		t.Error("nothing was fitted")
	}
}
