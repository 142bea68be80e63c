package scpi_test

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"fourwire/sim/scpi"
)

func TestDecimalNumbers(t *testing.T) {
	p := newProbe(t)
	s := p.device.Open(scpi.SessionOptions{})
	for _, c := range []struct {
		in   string
		want float64
		from string
	}{
		{"146", 146, "NR-01, a maker's manual"}, {"+146", 146, "NR-01"}, {"-12345", -12345, "NR-01"},
		{"12.3", 12.3, "NR-01"}, {"+1.2345", 1.2345, "NR-01"}, {"-0.123", -0.123, "NR-01"},
		{"+200", 200, "NR-01"}, {"-56", -56, "NR-01"}, {"+9.9E36", 9.9e36, "NR-01"},
		{"28", 28, "NR-04, a maker's manual"}, {"0.28E2", 28, "NR-04"}, {"280E-1", 28, "NR-04"}, {"28000m", 28, "NR-04"},
		{"0.028K", 28, "NR-04"}, {"28E-3K", 28, "NR-04"},
		{"#HA2F", 2607, "NR-05, a maker's manual; values computed"}, {"#ha4e", 2638, "NR-05"}, {"#Q62", 50, "NR-05"},
		{"#q15", 13, "NR-05"}, {"#B01011", 11, "NR-05"},
		{".5", 0.5, "IEEE 488.2 7.7.2, from memory"}, {"5.", 5, "the same"}, {"1 E 3", 1000, "the same"},
		{"1\tE\t-3", 0.001, "the same"}, {"1e+3", 1000, "the same"}, {"000123.4500", 123.45, "the same"},
		{"0.1", 0.1, "nearest float64"}, {"123456789012345678901234567890", 123456789012345678901234567890.0, "nearest float64"},
		{"2.2250738585072014E-308", 2.2250738585072014e-308, "nearest float64"}, {"9007199254740993", 9007199254740993, "nearest float64"},
		{"74187060866652760E-9", 74187060.86665276, "nearest float64, where two roundings miss it"},
		{"-0", math.Copysign(0, -1), "nearest float64"}, {"1E-400", 0, "nearest float64"},
	} {
		got := say(s, "DATA:RAT? "+c.in+"\n")
		v, err := strconv.ParseFloat(got, 64)
		if err != nil || v != c.want {
			t.Errorf("%q reads as %s, want %v (%s); %s", c.in, got, c.want, c.from, lastErrors(s))
		}
	}
}

func TestSuffixes(t *testing.T) {
	header := map[string]string{"": "RAT", "V": "VOLT", "Hz": "HERT", "ohm": "OHM", "A": "AMP", "s": "SEC", "W": "WATT"}
	rows := table(t, "suffixes.csv")
	rows = append(rows,
		[]string{"1 MV", "1e-3", "V"}, []string{"1.5\tKHZ", "1.5e3", "Hz"}, []string{"1MAA", "1e6", "A"}, // by the same table
		[]string{"1AA", "1e-18", "A"}, []string{"2MIN", "120", "s"}, []string{"1 EXV", "1e18", "V"},
		[]string{"1E3KV", "1e6", "V"}, []string{"1 E 3 MV", "1", "V"}, []string{"1S", "1", "s"}, []string{"1US", "1e-6", "s"})
	p := newProbe(t)
	s := p.device.Open(scpi.SessionOptions{})
	for _, row := range rows {
		want, _ := strconv.ParseFloat(row[1], 64)
		got := say(s, fmt.Sprintf("DATA:%s? %s\n", header[row[2]], row[0]))
		if v, err := strconv.ParseFloat(got, 64); err != nil || math.Abs(v-want) > 1e-15*want {
			t.Errorf("%s in %s reads as %s, want %v; %s", row[0], row[2], got, want, lastErrors(s))
		}
	}
	for _, c := range []struct {
		in   string
		want string
	}{{"1A/S", "1"}, {"1MA/US", "1000"}, {"2 A/MS", "2000"}, {"36 A/HR", "0.01"}, {"1 KA/S", "1000"}} { // rates, by the same multipliers
		got, _ := strconv.ParseFloat(say(s, "DATA:SLEW? "+c.in+"\n"), 64)
		if want, _ := strconv.ParseFloat(c.want, 64); math.Abs(got-want) > 1e-15*want {
			t.Errorf("%s reads as %v, want %v; %s", c.in, got, want, lastErrors(s))
		}
	}
}

func TestProgramData(t *testing.T) {
	for _, c := range []struct{ name, send, want, from string }{
		{"nearest integer", "DATA:INT? 2.5", "3", "IEEE 488.2: rounding, not truncation; from memory"},
		{"nearest integer, negative", "DATA:INT? -1.4", "-1", "the same"},
		{"hexadecimal integer", "DATA:INT? #H20", "32", "conformance script"},
		{"on", "DATA:BOOL? on", "1", "SCPI-1999 volume 1 clause 7.3"},
		{"off", "DATA:BOOL? OFF", "0", "the same"},
		{"a number that rounds to nonzero", "DATA:BOOL? 0.6", "1", "the same"},
		{"a number that rounds to zero", "DATA:BOOL? -0.4", "0", "the same"},
		{"once", "DATA:BOOL? once", "ONCE", "the same"},
		{"long word", "DATA:WORD? voltage", "VOLT", "HD-02"},
		{"short word", "DATA:WORD? Curr", "CURR", "HD-02"},
		{"double quotes", `DATA:TEXT? "a;b,c"`, `"a;b,c"`, "IEEE 488.2 7.7.5"},
		{"single quotes", `DATA:TEXT? 'say "hi"'`, `"say ""hi"""`, "the same; answers are always in double quotes"},
		{"doubled quote", `DATA:TEXT? 'it''s'`, `"it's"`, "the same"},
		{"doubled quotes only", `DATA:TEXT? """"`, `""""`, "the same"},
		{"separators behind a doubled quote", "DATA:TEXT? 'it''s;\nx'", "\"it's;\nx\"", "the same"},
		{"quote behind a comma in an expression", "DATA:EXPR? (1,'\n*OPC?", "1", "IEEE 488.2 7.7.7: no strings in expressions"},
		{"empty string", `DATA:TEXT? ""`, `""`, "the same"},
		{"LF in a string", "DATA:TEXT? 'a\nb'", "\"a\nb\"", "the same"},
		{"block", "DATA:BLOC? #15HELLO", "#15HELLO", "BK-02"},
		{"block that ends with LF", "DATA:BLOC? #13ab\n;*OPC?", "#13ab\n;1", "BK-01"},
		{"empty block", "DATA:BLOC? #10", "#10", "BK-02"},
		{"block with leading zeros in its length", "DATA:BLOC? #800000003a;b", "#13a;b", "BK-01"},
		{"block with LF, quotes and separators", "DATA:BLOC? #16\n\"';#,;*OPC?", "#16\n\"';#,;1", "conformance script"},
		{"indefinite block on a stream", "DATA:BLOC? #0ab;'c", "#15ab;'c", "a maker's manual: LF ends it there"},
		{"expression", "DATA:EXPR? (1+(2))", `"1+(2)"`, "IEEE 488.2 7.7.7"},
		{"channels", "DATA:CHAN? (@1,3:5)", "(@1,3,4,5)", "SCPI-1999 volume 1 chapter 8"},
		{"channels downward", "DATA:CHAN? ( @ 3 : 1 )", "(@3,2,1)", "the same"},
		{"numeric list", "DATA:RANG? (1,4:7.5)", "1.0,1.0,4.0,7.5", "the same"},
		{"repeated parameter", "DATA:LIST? 1,2 V , 300MV", "1.0,2.0,0.3", "SCPI-1999 LIST subsystem"},
		{"base 16", "DATA:BASE? 2607,16", "#HA2F", "NR-05 backwards"},
		{"base 8", "DATA:BASE? 50,8", "#Q62", "NR-05 backwards"},
		{"base 2", "DATA:BASE? 11,2", "#B1011", "NR-05 backwards"},
		{"minimum of a query", "VOLT? MIN", "0.000000E+00", "SCPI-1999 volume 1 clause 7.2.1.2"},
		{"maximum of a query", "VOLT? maximum", "6.000000E+01", "the same"},
		{"default set", "VOLT DEF;VOLT?", "1.000000E+00", "the same"},
		{"maximum set", "VOLT MAX;VOLT?", "6.000000E+01", "the same"},
		{"resolution", "VOLT 1.23456;VOLT?", "1.235000E+00", "IEEE 488.2 7.7.2.4: rounding"},
		{"second channel", "SOUR2:VOLT 7;:SOURCE2:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE?", "7.000000E+00", "SCPI-1999"},
		{"white space round commas and semicolons", " \tDATA:PAIR?\t1 ,\t2 ; ; *OPC? \r", "2;1", "IEEE 488.2 7.4"},
		{"a lower-case mix", "sour:Volt:lev 3;:VoLt?", "3.000000E+00", "IEEE 488.2 7.6"},
	} {
		p := newProbe(t)
		s := p.device.Open(scpi.SessionOptions{})
		if got := say(s, c.send+"\n"); got != c.want {
			t.Errorf("%s: %q answers %q, want %q (%s); errors %s", c.name, c.send, got, c.want, c.from, lastErrors(s))
		}
	}
}

func TestBlockLengths(t *testing.T) {
	p := newProbe(t)
	s := p.device.Open(scpi.SessionOptions{})
	for head, n := range map[string]int{"#800000080": 80, "#44000": 4000, "#41024": 1024, "#213": 13} { // BK-01, makers' manuals
		body := strings.Repeat("\n;\"'#", n)[:n]
		want := fmt.Sprintf("#%d%d%s", len(strconv.Itoa(n)), n, body)
		if got := say(s, "DATA:BLOC? "+head+body+"\n"); got != want {
			t.Errorf("%s and %d bytes come back as %.40q; %s", head, n, got, lastErrors(s))
		}
	}
}

func TestShortForms(t *testing.T) {
	rows := table(t, "shortforms.csv")
	if len(rows) != 71 {
		t.Errorf("%d keywords, the published list has 71", len(rows))
	}
	for _, row := range rows {
		hit := 0
		d, err := scpi.NewDevice(scpi.Options{Commands: []scpi.Command{
			{Pattern: "ROOM:" + row[0], Set: func(*scpi.Call) error { hit++; return nil }},
		}})
		if err != nil {
			t.Error(err)
			continue
		}
		s := d.Open(scpi.SessionOptions{})
		long, short := strings.ToUpper(row[0]), row[1]
		for n := 1; n <= len(long); n++ {
			hit = 0
			say(s, "ROOM:"+long[:n]+"\n")
			valid := long[:n] == short || n == len(long)
			got := lastErrors(s)
			if valid && (hit != 1 || got != "") || !valid && (hit != 0 || got != "-113") {
				t.Errorf("%s for %s: executed %d times, error %q", long[:n], row[0], hit, got)
			}
		}
	}
}

func TestReadingFormats(t *testing.T) {
	p := newProbe(t)
	s := p.device.Open(scpi.SessionOptions{})
	for _, c := range []struct{ send, want string }{ // IEEE 754 bit patterns: 1 is 3F800000, -0.5 is BF000000
		{"FORM?", "ASC,0"},
		{"DATA:READ?", "1.000000E+00,-5.000000E-01"},
		{"FORM ASC,3;FORM?;:DATA:READ?", "ASC,3;1.00E+00,-5.00E-01"},
		{"FORM REAL,32;FORM?;:DATA:READ?", "REAL,32;#18\x3f\x80\x00\x00\xbf\x00\x00\x00"},
		{"DATA:SING?", "#18\x3f\x80\x00\x00\xbf\x00\x00\x00"},
		{"FORM:BORD SWAP;BORD?;:DATA:READ?;SING?", "SWAP;#18\x00\x00\x80\x3f\x00\x00\x00\xbf;#18\x00\x00\x80\x3f\x00\x00\x00\xbf"},
		{"FORM:DATA REAL;DATA?;:DATA:READ?", "REAL,64;#216\x00\x00\x00\x00\x00\x00\xf0\x3f\x00\x00\x00\x00\x00\x00\xe0\xbf"},
		{"FORM:BORD NORM;:DATA:SING?", "#216\x3f\xf0\x00\x00\x00\x00\x00\x00\xbf\xe0\x00\x00\x00\x00\x00\x00"},
		{"*RST;FORM?", "ASC,0"},
	} {
		if got := say(s, c.send+"\n"); got != c.want {
			t.Errorf("%s answers %q, want %q; %s", c.send, got, c.want, lastErrors(s))
		}
	}
	say(s, "FORM REAL,32;:FORM:BORD SWAP\n")
	if f, swapped := p.device.ReadingFormat(); f != scpi.Real32 || !swapped {
		t.Errorf("format %d, swapped %v", f, swapped)
	}
	say(s, "FORM REAL,16\nFORM ASC,18\n")
	if got := lastErrors(s); got != "-224 -222" {
		t.Errorf("impossible lengths: %s", got)
	}
}

func TestNumberFormats(t *testing.T) {
	answer := func(q scpi.Quirks, digits int, give func(*scpi.Call)) string {
		d, err := scpi.NewDevice(scpi.Options{Digits: digits, Quirks: q, Commands: []scpi.Command{
			{Pattern: "GIVE?", Query: func(c *scpi.Call) error { give(c); return nil }},
		}})
		if err != nil {
			t.Fatal(err)
		}
		return say(d.Open(scpi.SessionOptions{}), "GIVE?\n")
	}
	num := func(v float64) func(*scpi.Call) { return func(c *scpi.Call) { c.Number(v) } }
	for _, c := range []struct {
		name   string
		quirks scpi.Quirks
		digits int
		give   func(*scpi.Call)
		want   string
	}{
		{"NR3", scpi.Quirks{}, 0, num(12.5), "1.250000E+01"},
		{"NR3 carries", scpi.Quirks{}, 3, num(9.9996), "1.000E+01"},
		{"not a number, NR-03", scpi.Quirks{}, 0, num(math.NaN()), "9.910000E+37"},
		{"plus infinity, NR-03", scpi.Quirks{}, 2, num(math.Inf(1)), "9.90E+37"},
		{"minus infinity, NR-03", scpi.Quirks{}, 2, num(math.Inf(-1)), "-9.90E+37"},
		{"three digits of exponent", scpi.Quirks{}, 2, num(1e-300), "1.00E-300"},
		{"minus zero", scpi.Quirks{}, 2, num(math.Copysign(0, -1)), "-0.00E+00"},
		{"fixed point", scpi.Quirks{FixedPoint: true}, 4, num(12.5), "12.500"},
		{"fixed point, not a number", scpi.Quirks{FixedPoint: true}, 4, num(math.NaN()), "9.9100E+37"},
		{"leading plus", scpi.Quirks{PlusSign: true}, 1, num(12.5), "+1.2E+01"},
		{"leading plus of an integer", scpi.Quirks{PlusSign: true}, 1, func(c *scpi.Call) { c.NR1(7) }, "+7"},
		{"no plus for a negative number", scpi.Quirks{PlusSign: true}, 1, num(-12), "-1.2E+01"},
		{"lower-case exponent", scpi.Quirks{LowerExponent: true}, 1, num(12), "1.2e+01"},
		{"several elements", scpi.Quirks{}, 1, func(c *scpi.Call) { c.NR1(1); c.NR2(2, 2); c.Boolean(true); c.Character("IMMediate") }, "1,2.00,1,IMM"},
		{"another base is decimal", scpi.Quirks{}, 1, func(c *scpi.Call) { c.NonDecimal(10, 7) }, "10"},
		{"a line is cleaned", scpi.Quirks{}, 1, func(c *scpi.Call) { c.Line("a\nb\x80") }, "a b "},
	} {
		if got := answer(c.quirks, c.digits, c.give); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// NR3 has at most 22 characters and NR2 at most 17 (NR-02, a maker's manual) with any number of digits that makes sense.
func TestNumberLengths(t *testing.T) {
	for _, v := range []float64{-1.2345678901234567e-308, -1.7976931348623157e308, 0.1, -99999.99999} {
		d, err := scpi.NewDevice(scpi.Options{Digits: 14, Commands: []scpi.Command{
			{Pattern: "GIVE?", Query: func(c *scpi.Call) error { c.Number(v); return nil }},
		}})
		if err != nil {
			t.Fatal(err)
		}
		if got := say(d.Open(scpi.SessionOptions{}), "GIVE?\n"); len(got) > 22 {
			t.Errorf("%s has %d characters", got, len(got))
		}
	}
}

// FuzzNR3 compares the quick formatter with the standard library's, digit by digit.
func FuzzNR3(f *testing.F) {
	for _, v := range []float64{0, 1, 12.5, 0.1, 9.9999995, 99999994.9999, 1e-12, 1e15, 5e-324, 123456.5, 0.0009999995, 1 << 52} {
		f.Add(v, uint8(6))
		f.Add(-v, uint8(9))
	}
	var v float64
	var digits int
	d, err := scpi.NewDevice(scpi.Options{Commands: []scpi.Command{
		{Pattern: "GIVE?", Query: func(c *scpi.Call) error { c.NR3(v, digits); return nil }},
	}})
	if err != nil {
		f.Fatal(err)
	}
	s := d.Open(scpi.SessionOptions{})
	f.Add(13.5, uint8(0)) // a tie: to even
	f.Fuzz(func(t *testing.T, value float64, n uint8) {
		if math.IsNaN(value) || math.IsInf(value, 0) {
			return
		}
		v, digits = value, 1+int(n%16)
		if got, want := say(s, "GIVE?\n"), strconv.FormatFloat(v, 'E', digits, 64); got != want {
			t.Errorf("%v with %d digits: %s, want %s", v, digits, got, want)
		}
	})
}

// FuzzDecimal compares the number reader with the standard library's.
func FuzzDecimal(f *testing.F) {
	for _, text := range []string{"1", "-0.1", "1E3", "12345678901234567890", "0.000001e-300", "5.", ".5", "9.9E37"} {
		f.Add(text)
	}
	s := newProbe(f).device.Open(scpi.SessionOptions{})
	f.Fuzz(func(t *testing.T, text string) {
		want, err := strconv.ParseFloat(text, 64)
		if err != nil || strings.Trim(text, "0123456789.+-eE") != "" {
			return
		}
		got := say(s, "DATA:PLA? "+text+"\n")
		if strings.Trim(text, "0123456789.+-eE") == "" && got != strconv.FormatFloat(want, 'E', 16, 64) {
			if e := lastErrors(s); e != "-123" && e != "-124" {
				t.Errorf("%q reads as %q, want %v; %s", text, got, want, e)
			}
		}
	})
}
