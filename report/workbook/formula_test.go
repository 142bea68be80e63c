package workbook

import (
	"math"
	"strings"
	"testing"
)

var cells = map[string]float64{"vi": 12, "ii": 0.5, "vo": 5, "io": 1.1, "t_0": 300}

func isCell(name string) bool { _, ok := cells[name]; return ok }

func TestExpressionsBecomeFormulas(t *testing.T) {
	for _, c := range []struct {
		name, in, want string
		value          float64 // worked out by hand
	}{
		{"a product", "vi * ii", "[vi]*[ii]", 6},
		{"brackets that matter stay", "vi - (vo + 250 mV)", "[vi]-([vo]+0.25)", 6.75},
		{"brackets that do not matter go", "(vi * ii) / vo", "[vi]*[ii]/[vo]", 1.2},
		{"order of division", "vi / (ii * vo)", "[vi]/([ii]*[vo])", 4.8},
		{"order of differences", "vi - (vo - ii)", "[vi]-([vo]-[ii])", 7.5},
		{"a sum under a product", "(vi + vo) * ii", "([vi]+[vo])*[ii]", 8.5},
		{"a sign", "-vi * 2", "(-[vi])*2", -24},
		{"signs of signs", "vi - -(vo + 1 V)", "[vi]-(-([vo]+1))", 18},
		{"percent", "vo * 5 %", "[vo]*0.05", 0.25},
		{"a unit with a stroke", "vi / 0.5 V/us", "[vi]/500000", 2.4e-5},
		{"a stroke that divides", "3 V/io", "3/[io]", 3 / 1.1},
		{"a degree has an offset", "t_0 - 25 degC", "[t_0]-298.15", 1.85},
		{"powers of ten", "io * 1e-6", "[io]*1E-06", 1.1e-6},
		{"functions", "sqrt(abs(vo - vi)) + max(ii, io, 0.2)", "SQRT(ABS([vo]-[vi]))+MAX([ii],[io],0.2)", math.Sqrt(7) + 1.1},
		{"rounding to a step", "2 * round(io, 250 mA)", "2*(ROUND(([io])/(0.25),0)*(0.25))", 2},
		{"no spaces", "vi*ii-vo*io", "[vi]*[ii]-[vo]*[io]", 0.5},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, err := parseFormula(c.in, isCell)
			if err != nil {
				t.Fatal(err)
			}
			if got := f.text(func(name string) string { return "[" + name + "]" }); got != c.want {
				t.Errorf("%s became %s, want %s", c.in, got, c.want)
			}
			if got := f.eval(func(name string) float64 { return cells[name] }); math.Abs(got-c.value) > 1e-12*math.Abs(c.value) {
				t.Errorf("%s gives %v, want %v", c.in, got, c.value)
			}
		})
	}
}

func TestWhatASpreadsheetCannotDo(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"vo ** 2", "powers"}, {"vo ^ 2", `"^ 2"`}, {"vo > 5 V ? 1 : 0", "no formula here"}, {"mean(vo)", "mean(...)"},
		{"v(dut.out)", "v(...)"}, {"unknown * 2", "unknown is no column"}, {"min(vo)", "1 arguments"}, {"", "ends too early"},
		{"vo +", "ends too early"}, {"(vo", "closing bracket"}, {"vo vi", "no formula here"}, {strings.Repeat("(", 100), "too deeply"},
		{strings.Repeat("-", 100) + "1", "too deeply"},
	} {
		if _, err := parseFormula(c.in, isCell); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want a word of %q", c.in, err, c.want)
		}
	}
}

// FuzzParseFormula: what is written as a formula reads back as a formula that gives the same number.
func FuzzParseFormula(f *testing.F) {
	for _, seed := range []string{"vi * ii", "vi-(vo+250 mV)/3 V/io", "-sqrt(max(vi, 2, -io))*1e-3", "round(vi, 0.1)"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		first, err := parseFormula(text, isCell)
		if err != nil {
			return
		}
		written := first.text(func(name string) string { return name })
		lower := strings.NewReplacer("SQRT", "sqrt", "ABS", "abs", "EXP", "exp", "LN", "ln", "LOG10", "log10", "MIN", "min", "MAX", "max").Replace(written)
		if strings.Contains(lower, "ROUND") {
			return // to places there, to a step here
		}
		second, err := parseFormula(lower, isCell)
		if err != nil {
			if strings.Contains(err.Error(), "too deeply") {
				return
			}
			t.Fatalf("%q became %q: %v", text, written, err)
		}
		value := func(name string) float64 { return cells[name] }
		a, b := first.eval(value), second.eval(value)
		if a != b && !(math.IsNaN(a) && math.IsNaN(b)) {
			t.Fatalf("%q gives %v, %q gives %v", text, a, written, b)
		}
	})
}
