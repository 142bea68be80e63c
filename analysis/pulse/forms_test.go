package pulse_test

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"fourwire/analysis/pulse"
)

// form is a waveform whose figures are known by formula.
type form func(seconds float64) float64

func onePole(t float64) float64 {
	if t <= 0 {
		return 0
	}
	return 1 - math.Exp(-t)
}

func twoPoles(t float64) float64 {
	if t <= 0 {
		return 0
	}
	return 1 - (1+t)*math.Exp(-t)
}

func gaussianEdge(t float64) float64 { return 0.5 * math.Erfc(-t/math.Sqrt2) }

func ramp(t float64) float64 { return min(1, max(0, t)) }

func raisedCosine(t float64) float64 { return 0.5 * (1 - math.Cos(math.Pi*min(1, max(0, t)))) }

// secondOrder is the unit step response of 1 / (s^2 + 2 zeta s + 1).
func secondOrder(zeta float64) form {
	wd := math.Sqrt(1 - zeta*zeta)
	return func(t float64) float64 {
		if t <= 0 {
			return 0
		}
		return 1 - math.Exp(-zeta*t)*(math.Cos(wd*t)+zeta/wd*math.Sin(wd*t))
	}
}

// trapezoid is a train of pulses: rise tr, flat tp, fall tf, with a period.
func trapezoid(tr, tp, tf, period float64) form {
	return func(t float64) float64 {
		if t < 0 {
			return 0
		}
		t = math.Mod(t, period)
		switch {
		case t < tr:
			return t / tr
		case t < tr+tp:
			return 1
		case t < tr+tp+tf:
			return 1 - (t-tr-tp)/tf
		}
		return 0
	}
}

// sampled takes a form from a start to an end; r shifts it against the samples and adds noise (nil: neither). The shift is
// returned.
func sampled(f form, from, to, interval, noise float64, r *rand.Rand) (pulse.Trace[float64], float64) {
	n := int(math.Round((to - from) / interval))
	tr := pulse.Trace[float64]{Samples: make([]float64, n), IntervalSeconds: interval, StartSeconds: from}
	shift := 0.0
	if r != nil {
		shift = interval * r.Float64()
	}
	for i := range tr.Samples {
		tr.Samples[i] = f(from + float64(i)*interval - shift)
		if r != nil {
			tr.Samples[i] += noise * r.NormFloat64()
		}
	}
	return tr, shift
}

func analysed[T pulse.Sample](t testing.TB, tr pulse.Trace[T], o pulse.Options) pulse.Report {
	t.Helper()
	r, err := pulse.Analyse(tr, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// table reads a CSV of published check values, whose comments name their source.
func table(t testing.TB, name string) (names []string, rows [][]string) {
	t.Helper()
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(strings.NewReader(string(text)))
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return all[0], all[1:]
}

func number(t testing.TB, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// near holds a figure against a truth.
func near(t testing.TB, name string, f pulse.Figure, want, within float64) {
	t.Helper()
	if !f.OK() {
		t.Errorf("%s is missing: %s", name, f.Missing)
		return
	}
	if !(math.Abs(f.X-want) <= within) {
		t.Errorf("%s is %.9g, want %.9g within %.2g", name, f.X, want, within)
	}
	if math.IsNaN(f.U) || f.U < 0 {
		t.Errorf("%s has an uncertainty of %g", name, f.U)
	}
}
