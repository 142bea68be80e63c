package quantity_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"fourwire/quantity"
)

func ExampleParse() {
	limit, _ := quantity.Parse("250 mA")
	_, err := quantity.Parse("250 m")
	fmt.Println(limit, "|", err)
	// Output: 250 mA | "250 m": the unit is missing; mA, mV, ms...?
}

func ExampleParseSpan() {
	line, _ := quantity.ParseSpan("9..16 V")
	fmt.Println(line, line.Holds(12), line.Holds(18))
	// Output: 9 V..16 V true false
}

// The SI values follow from the definitions of the units and prefixes (SI brochure, 9th edition).
func TestParse(t *testing.T) {
	for _, c := range []struct {
		text string
		si   float64
		dim  quantity.Dimension
	}{
		{"12 V", 12, quantity.Voltage}, {"250mA", 0.25, quantity.Current}, {"1.5 mohm", 1.5e-3, quantity.Resistance},
		{"20 ms", 0.02, quantity.Time}, {"0.5 V/us", 5e5, quantity.VoltageSlew}, {"85 %", 0.85, quantity.Ratio},
		{"2.2 Ah", 7920, quantity.Charge}, {"1 Wh", 3600, quantity.Energy}, {"25 degC", 298.15, quantity.Temperature},
		{"-3 uA", -3e-6, quantity.Current}, {"3 µA", 3e-6, quantity.Current}, {"10 kΩ", 1e4, quantity.Resistance},
		{"2 min", 120, quantity.Time}, {"1.5 h", 5400, quantity.Time}, {"50 ppm", 5e-5, quantity.Ratio},
		{"1e3 V", 1000, quantity.Voltage}, {".5 V", 0.5, quantity.Voltage}, {"5. V", 5, quantity.Voltage},
		{"0.1 A/us", 1e5, quantity.CurrentSlew}, {"0.25", 0.25, quantity.Ratio}, {"4.7 uH", 4.7e-6, quantity.Inductance},
		{"44 uF", 44e-6, quantity.Capacitance}, {"1 MV", 1e6, quantity.Voltage}, {"1 d", 86400, quantity.Time},
		{"1 a", 31557600, quantity.Time}, {"10 a", 315576000, quantity.Time}, {"2.4 mAh", 8.64, quantity.Charge}, {"3 kC", 3000, quantity.Charge}, {"5 mJ", 5e-3, quantity.Energy}, {"0.7 mWh", 2.52, quantity.Energy},
		{"2 %/a", 0.02 / 31557600, quantity.Frequency}, {"3 kg.m2/s3", 3, quantity.Power}, {"2 1/s", 2, quantity.Frequency},
	} {
		q, err := quantity.Parse(c.text)
		if err != nil || q.Dim != c.dim || math.Abs(q.SI-c.si) > 1e-12*math.Abs(c.si) {
			t.Errorf("Parse(%q) = %v %v, %v; want %v %v", c.text, q.SI, q.Dim, err, c.si, c.dim)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct{ text, says string }{
		{"", "a number with a unit"}, {"V", "a number must come first"}, {"12 m", "the unit is missing"},
		{"12 mw", "MW or mW?"}, {"3 volts", "unknown unit"}, {"1e999 V", "no number that can be used"},
		{"NaN V", "a number must come first"}, {"inf A", "a number must come first"}, {"0x10 V", "unknown unit"},
		{"1 V/", "unknown unit"}, {"1e308 TV", "too large"}, {"5 mmin", "unknown unit"}, {"1 degC/s", "written in K"},
	} {
		if q, err := quantity.Parse(c.text); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("Parse(%q) = %v, %v; want an error with %q", c.text, q, err, c.says)
		}
	}
}

func TestParseAsNamesBothDimensions(t *testing.T) {
	_, err := quantity.ParseAs("8 A", quantity.Voltage)
	if want := `"8 A": voltage is wanted here, this is current`; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
	_, err = quantity.ParseAs("8", quantity.Voltage)
	if want := `"8": the unit is missing; voltage is wanted here, as in "8 V"`; err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

func TestSpan(t *testing.T) {
	for _, c := range []struct {
		text      string
		low, high float64
	}{
		{"9..16 V", 9, 16}, {"..18 V", math.Inf(-1), 18}, {"4.5 V..", 4.5, math.Inf(1)}, {"-200 mA..3 A", -0.2, 3},
		{"0..2.5 A", 0, 2.5}, {"5 V", 5, 5}, {"100 mV .. 2 V", 0.1, 2},
	} {
		s, err := quantity.ParseSpan(c.text)
		if err != nil || s.Low != c.low || s.High != c.high || !s.Set {
			t.Errorf("ParseSpan(%q) = %+v, %v", c.text, s, err)
		}
	}
	for _, text := range []string{"..", "16..9 V", "1 V..2 A", "1..x V", "", "1..2..3 V"} {
		if s, err := quantity.ParseSpan(text); err == nil {
			t.Errorf("ParseSpan(%q) = %v, want an error", text, s)
		}
	}
}

// Whatever parses prints as something that parses to the same value within the printed digits.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"12 V", "250 m", "1.5 mohm", "0.5 V/us", "25 degC", "9..16 V", "1e-30 A", "85%", "-0 V"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		q, err := quantity.Parse(text)
		if err != nil {
			return
		}
		back, err := quantity.Parse(q.Text(17))
		if err != nil {
			t.Fatalf("%q prints as %q, which does not parse: %v", text, q.Text(17), err)
		}
		// degC moves the origin: compare with the size of the offset in mind
		slack := 1e-9 * math.Abs(q.SI)
		if q.Dim == quantity.Temperature {
			slack += 1e-9 * 273.15
		}
		if back.Dim != q.Dim || math.Abs(back.SI-q.SI) > slack {
			t.Fatalf("%q is %v %v, printed %q, read back %v %v", text, q.SI, q.Dim, q.Text(17), back.SI, back.Dim)
		}
	})
}

// A year of a life is one of 365.25 d (IAU).
func TestLongTimesAreInDaysAndYears(t *testing.T) {
	for si, want := range map[float64]string{3600: "3600 s", 86400: "86400 s", 1.728e6: "20 d", -1.728e6: "-20 d", 31557600: "1 a", 78894000: "2.5 a"} {
		q := quantity.Of(si, quantity.Time)
		if got := q.String(); got != want {
			t.Errorf("%v s prints as %q, want %q", si, got, want)
		}
		if back, err := quantity.Parse(q.String()); err != nil || back != q {
			t.Errorf("%q reads as %v, %v", q, back, err)
		}
	}
}

func TestTextCarriesOver(t *testing.T) {
	for si, want := range map[float64]string{0.9999999: "1 A", 0.25: "250 mA", 0: "0 A", 1234.5: "1.2345 kA", 2.5e-9: "2.5 nA", -0.02: "-20 mA"} {
		if got := quantity.Of(si, quantity.Current).String(); got != want {
			t.Errorf("%v A prints as %q, want %q", si, got, want)
		}
	}
}
