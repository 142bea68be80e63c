package component_test

import (
	"bufio"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"fourwire/analysis/component"
)

// strd reads a set of the NIST/ITL Statistical Reference Datasets with its starts and certified values.
type strd struct {
	x, y          []float64
	starts        [2][]float64
	certified, sd []float64
	rss, residual float64
}

func parse(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func readStrd(t *testing.T, name string) strd {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", "nist-strd", name+".csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var d strd
	parameter := regexp.MustCompile(`^# b\d+ start1=(\S+) start2=(\S+) certified=(\S+) sd=(\S+)`)
	whole := regexp.MustCompile(`residual_ss=(\S+) residual_sd=(\S+)`)
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		line := lines.Text()
		if m := parameter.FindStringSubmatch(line); m != nil {
			d.starts[0], d.starts[1] = append(d.starts[0], parse(t, m[1])), append(d.starts[1], parse(t, m[2]))
			d.certified, d.sd = append(d.certified, parse(t, m[3])), append(d.sd, parse(t, m[4]))
		} else if m := whole.FindStringSubmatch(line); m != nil {
			d.rss, d.residual = parse(t, m[1]), parse(t, m[2])
		} else if !strings.HasPrefix(line, "#") && line != "y,x" {
			y, x, _ := strings.Cut(line, ",")
			d.y, d.x = append(d.y, parse(t, y)), append(d.x, parse(t, x))
		}
	}
	return d
}

// TestReferenceSets demands the certified parameters and their standard deviations to six digits from both starts of NIST.
func TestReferenceSets(t *testing.T) {
	for name, model := range map[string]func(b []float64, x float64) float64{
		"misra1a": func(b []float64, x float64) float64 { return b[0] * (1 - math.Exp(-b[1]*x)) },
		"danwood": func(b []float64, x float64) float64 { return b[0] * math.Pow(x, b[1]) },
		"thurber": func(b []float64, x float64) float64 {
			return (b[0] + x*(b[1]+x*(b[2]+x*b[3]))) / (1 + x*(b[4]+x*(b[5]+x*b[6])))
		},
		"mgh17": func(b []float64, x float64) float64 { return b[0] + b[1]*math.Exp(-x*b[3]) + b[2]*math.Exp(-x*b[4]) },
		"eckerle4": func(b []float64, x float64) float64 {
			if b[1] <= 0 {
				return math.NaN() // a width; the model has a twin with both signs turned
			}
			return b[0] / b[1] * math.Exp(-0.5*(x-b[2])*(x-b[2])/(b[1]*b[1]))
		},
	} {
		d := readStrd(t, name)
		for s, start := range d.starts {
			fit, err := component.Solve(component.Problem{
				Observations: len(d.x), Start: start,
				Residuals: func(b, r []float64) {
					for i, x := range d.x {
						r[i] = model(b, x) - d.y[i]
					}
				},
			})
			if err != nil {
				t.Errorf("%s from start %d: %v", name, s+1, err)
				continue
			}
			worst, worstSD := 15.0, 15.0
			for j := range d.certified {
				worst = min(worst, digits(fit.Parameters[j], d.certified[j]))
				worstSD = min(worstSD, digits(fit.Std[j], d.sd[j]))
			}
			rss := digits(fit.RSS, d.rss)
			t.Logf("%-9s start %d: %4.1f digits, standard deviations %4.1f, RSS %4.1f, %d steps", name, s+1, worst, worstSD, rss, fit.Steps)
			if worst < 6 || worstSD < 6 || rss < 6 || digits(fit.ResidualSD, d.residual) < 6 {
				t.Errorf("%s from start %d: %v, want %v; sd %v, want %v", name, s+1, fit.Parameters, d.certified, fit.Std, d.sd)
			}
		}
	}
}

// digits is the number of significant digits in which got and want agree.
func digits(got, want float64) float64 {
	if got == want {
		return 15
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}
