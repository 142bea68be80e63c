package chart_test

import (
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/report"
	"fourwire/report/chart"
)

func labels(a chart.Axis) string {
	var out []string
	for _, t := range a.Ticks {
		if t.Label != "" {
			out = append(out, t.Label)
		}
	}
	return strings.Join(out, " ")
}

func TestTicksAreRoundNumbersInEngineeringUnits(t *testing.T) {
	for _, c := range []struct {
		name      string
		low, high float64
		log       bool
		dim       quantity.Dimension
		label     string
		want      string
	}{
		{"efficiency", 0.658, 0.931, false, quantity.Ratio, "y [%]", "65 70 75 80 85 90 95"},
		{"loss from zero, since it is near", 0.086, 1.405, false, quantity.Power, "y [W]", "0.00 0.25 0.50 0.75 1.00 1.25 1.50"},
		{"millivolts", 0.0012, 0.0187, false, quantity.Voltage, "y [mV]", "0 5 10 15 20"},
		{"both signs", -0.4, 0.9, false, quantity.Current, "y [mA]", "-500 -250 0 250 500 750 1000"},
		{"one value", 5, 5, false, quantity.Voltage, "y [V]", "4.7 4.8 4.9 5.0 5.1 5.2 5.3"},
		{"temperatures have an offset", 293.15, 333.15, false, quantity.Temperature, "y [°C]", "20 30 40 50 60"},
		{"load, logarithmic", 0.05, 3, true, quantity.Current, "y [A]", "0.05 0.1 0.2 0.5 1 2"},
		{"decades without unit prefixes", 0.001, 10, true, quantity.Current, "y", "1 mA 10 mA 100 mA 1 A 10 A"},
		{"many decades", 1e-9, 1, true, quantity.Current, "y", "10 nA 1 µA 100 µA 10 mA 1 A"},
		{"a logarithmic axis that spans no decade", 1.3e-6, 4.1e-6, true, quantity.Current, "y [µA]", "2 3 4"},
		{"one without a round number in it", 2.1e-6, 2.9e-6, true, quantity.Current, "y [µA]", "2.25 2.50 2.75"},
		{"zero has no logarithm", 0, 3, true, quantity.Current, "y [A]", "0.0 0.5 1.0 1.5 2.0 2.5 3.0"},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := chart.NewAxis(c.low, c.high, c.log, record.Column{Name: "y", Dim: c.dim}, 6)
			if got := labels(a); got != c.want || a.Label != c.label {
				t.Errorf("%s: %s, want %s: %s", a.Label, got, c.label, c.want)
			}
			if a.Place(c.low) < -1e-9 || a.Place(c.high) > 1+1e-9 {
				t.Errorf("data at %v..%v of the axis", a.Place(c.low), a.Place(c.high))
			}
		})
	}
}

// Property: whatever the data, there are between 2 and 100 ticks, in order, inside the axis, and the data are inside too.
func TestAxesHoldTheirData(t *testing.T) {
	for e := -12; e <= 9; e++ {
		for _, span := range []float64{1e-6, 0.01, 0.3, 1, 7, 900} {
			for _, sign := range []float64{1, -1} {
				low := sign * 3.3 * math.Pow10(e)
				high := low + span*math.Abs(low)
				for _, log := range []bool{false, true} {
					a := chart.NewAxis(low, high, log, record.Column{Dim: quantity.Voltage}, 6)
					if len(a.Ticks) > 100 || !a.Log && len(a.Ticks) < 2 || a.Place(low) < -1e-6 || a.Place(high) > 1+1e-6 {
						t.Fatalf("%v..%v log %v: %d ticks, data from %v to %v", low, high, log, len(a.Ticks), a.Place(low), a.Place(high))
					}
					for i := 1; i < len(a.Ticks); i++ {
						if a.Ticks[i].At <= a.Ticks[i-1].At {
							t.Fatalf("%v..%v: ticks out of order", low, high)
						}
					}
				}
			}
		}
	}
}

func curve() report.Curve {
	dot := func(n int, x, y, u float64, status string) report.Dot {
		return report.Dot{Number: n, X: x, Y: y, UX: math.NaN(), UY: u, Status: status}
	}
	return report.Curve{Title: "Efficiency", X: record.Column{Name: "io", Dim: quantity.Current}, Y: record.Column{Name: "efficiency", Dim: quantity.Ratio},
		Lines: []report.Line{{Name: `<vin> & "9 V"`, Dots: []report.Dot{
			dot(1, 0.1, 0.80, 0.02, "ok"), dot(2, 0.2, 0.85, 0.0001, "ok"), dot(3, 0.3, math.NaN(), math.NaN(), "overload"),
			dot(4, 0.4, 0.90, math.NaN(), "not settled"), dot(5, 0.5, 0.30, math.NaN(), "invalid"), dot(6, 0.6, 0.91, math.NaN(), "ok"),
		}}}}
}

func TestGapsAndInvalidPointsBreakTheLine(t *testing.T) {
	l := chart.New(curve(), chart.Wide).Lines[0]
	if moves, lines := strings.Count(l.Path, "M"), strings.Count(l.Path, "L"); moves != 3 || lines != 1 {
		t.Errorf("path %s: three pieces, of which only the first has two points", l.Path)
	}
	if len(l.Marks) != 5 {
		t.Fatalf("%d marks: all but the point without a value", len(l.Marks))
	}
	if m := l.Marks[0]; m.Down-m.Above < 8 {
		t.Errorf("U of 2 %% in a picture of some 15 %% has a bar of %v pixels", m.Down-m.Above)
	}
	if m := l.Marks[1]; m.Down != m.Above {
		t.Error("a U of 0.01 % has a bar")
	}
	if !l.Marks[2].Hollow || !l.Marks[2].Joined || l.Marks[3].Joined {
		t.Errorf("marks %+v", l.Marks)
	}
	if low := chart.New(curve(), chart.Wide).Y.Low; low < 0.7 {
		t.Errorf("the axis starts at %v, drawn out by the invalid point", low)
	}
}

func TestSVGIsWellFormedAndEscaped(t *testing.T) {
	for _, size := range []chart.Size{chart.Wide, chart.Narrow} {
		text := chart.New(curve(), size).SVG(`"<title>`, func(int, chart.Mark) string { return "<b>&" })
		if strings.Contains(text, "<b>") {
			t.Error("text of a mark is not escaped")
		}
		for d := xml.NewDecoder(strings.NewReader(text)); ; {
			tok, err := d.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("%v in %s", err, text)
			}
			if e, ok := tok.(xml.StartElement); ok && (e.Name.Local == "script" || e.Name.Local == "b") {
				t.Errorf("element %s", e.Name.Local)
			}
		}
	}
}

func TestNothingToDrawIsNoTrouble(t *testing.T) {
	for _, c := range []report.Curve{{}, {LogX: true, LogY: true, Lines: []report.Line{{}}}} {
		if text := chart.New(c, chart.Narrow).SVG("", nil); strings.Contains(text, "NaN") || strings.Contains(text, "Inf") {
			t.Errorf("%s", text)
		}
	}
}

// A long line keeps its extremes and its gaps, and the picture stays small.
func TestLongLinesAreThinned(t *testing.T) {
	c := curve()
	var dots []report.Dot
	for i := range 200_000 {
		d := report.Dot{Number: i + 1, X: float64(i), Y: math.Sin(float64(i)), UY: math.NaN(), UX: math.NaN(), Status: "ok"}
		switch i {
		case 77_777:
			d.Y = 40
		case 100_000:
			d.Y = math.NaN()
		case 150_000:
			d.Status = "invalid"
		}
		dots = append(dots, d)
	}
	c.Lines[0].Dots = dots
	l := chart.New(c, chart.Wide)
	line := l.Lines[0]
	if len(line.Path) > 60_000 {
		t.Errorf("the path has %d bytes", len(line.Path))
	}
	if moves := strings.Count(line.Path, "M"); moves != 3 {
		t.Errorf("%d pieces: a gap and an invalid point make three", moves)
	}
	if peak := fmt.Sprintf(" %.1f", l.Top+(1-l.Y.Place(40))*(l.Bottom-l.Top)); !strings.Contains(line.Path, peak) {
		t.Errorf("the one high point, at%s, is lost", peak)
	}
	if len(line.Marks) != 1 || line.Marks[0].Dot.Number != 150_001 {
		t.Errorf("%d marks: only the invalid point has one", len(line.Marks))
	}
}

// WCAG 2.2, success criterion 1.4.11: graphics that carry meaning have a contrast of 3:1 with what is beside them. Grounds are those
// of the page.
func TestLineColoursHaveContrast(t *testing.T) {
	for _, s := range chart.Styles() {
		for _, c := range []struct{ colour, ground string }{{s.Light, "#ffffff"}, {s.Dark, "#15181c"}} {
			if k := contrast(c.colour, c.ground); k < 3 {
				t.Errorf("line %d: %s on %s has a contrast of %.2f", s.Number, c.colour, c.ground, k)
			}
		}
	}
}

// contrast is that of WCAG 2.2: (L1 + 0.05) / (L2 + 0.05) with relative luminance of sRGB.
func contrast(a, b string) float64 {
	x, y := luminance(a), luminance(b)
	return (math.Max(x, y) + 0.05) / (math.Min(x, y) + 0.05)
}

func luminance(hex string) float64 {
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		n, _ := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8)
		c := float64(n) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}

// Lines must be told apart without colour too: no two have dashes and marks in common.
func TestLinesDifferInMoreThanColour(t *testing.T) {
	seen := map[string]bool{}
	for _, s := range chart.Styles() {
		for _, k := range []string{"dash " + s.Dash, "mark " + s.Mark} {
			if seen[k] {
				t.Errorf("%s is there twice", k)
			}
			seen[k] = true
		}
	}
}

func ExampleNewAxis() {
	a := chart.NewAxis(0.05, 3, true, record.Column{Name: "io", Dim: quantity.Current}, 8)
	fmt.Println(a.Label, labels(a))
	// Output: io [A] 0.05 0.1 0.2 0.5 1 2
}

// series is a line over points from 1 to n with an uncertainty of u.
func series(n int, u float64) report.Curve {
	c := report.Curve{X: record.Column{Name: "x", Dim: quantity.Current}, Y: record.Column{Name: "y", Dim: quantity.Voltage}, Lines: []report.Line{{}}}
	for i := range n {
		c.Lines[0].Dots = append(c.Lines[0].Dots, report.Dot{Number: i + 1, X: float64(i), Y: math.Sin(float64(i) * 6 / float64(n)), UX: math.NaN(), UY: u, Status: record.StatusOK})
	}
	return c
}

func TestUncertaintyIsABarOrABand(t *testing.T) {
	for _, c := range []struct {
		name string
		n    int
		u    float64
		bar  bool
		band bool
	}{
		{"few points with a large U have bars", 12, 0.2, true, false},
		{"few points with a U below the mark have nothing", 12, 0.0001, false, false},
		{"dense points have a band", 200, 0.2, false, true},
		{"dense points with a U below the line have nothing", 200, 0.0001, false, false},
		{"more points than are marked have a band", 5000, 0.2, false, true},
	} {
		l := chart.New(series(c.n, c.u), chart.Wide)
		bar := false
		for _, m := range l.Lines[0].Marks {
			bar = bar || m.Down > m.Above
		}
		if band := l.Lines[0].Band != ""; bar != c.bar || band != c.band {
			t.Errorf("%s: bars %v, band %v", c.name, bar, band)
		}
	}
	gap := series(200, 0.2)
	gap.Lines[0].Dots[100].Y = math.NaN()
	if n := strings.Count(chart.New(gap, chart.Wide).Lines[0].Band, "M"); n != 2 {
		t.Errorf("a gap leaves %d pieces of the band", n)
	}
}
