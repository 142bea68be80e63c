package scpi_test

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"fourwire/driver/scpi"
)

func ExampleParseNumber() {
	for _, answer := range []string{"+1.20E+01", " 12.5 mA", "9.9E37", "9.91E37", "OVLD"} {
		n, err := scpi.ParseNumber([]byte(answer), nil)
		fmt.Println(n.X, n.State, err)
	}
	_, err := scpi.ParseOne([]byte("12,5"), nil)
	fmt.Println(err)
	// Output:
	// 12 valid <nil>
	// 0.0125 valid <nil>
	// 0 over range <nil>
	// 0 not a number <nil>
	// 0 over range <nil>
	// "12,5": one number is wanted, more elements came (or a decimal comma): wrong number of elements in the response
}

func ExampleAppendNumber() {
	message := []byte(":SOUR1:VOLT ")
	message, _ = scpi.AppendNumber(message, 12.5, scpi.Format{})
	fmt.Printf("%s\n", message)
	message, _ = scpi.AppendNumber([]byte("VSET,1,"), 12.5, scpi.Format{Form: scpi.NR1, Scale: 1e-3})
	fmt.Printf("%s\n", message)
	// Output:
	// :SOUR1:VOLT 12.5
	// VSET,1,12500
}

func TestParseNumber(t *testing.T) {
	tokens := &scpi.Tokens{Over: []string{"HI"}, NotANumber: []string{"E-NONE"}}
	for _, c := range []struct {
		name, in string
		want     float64
		state    scpi.State
		from     string
	}{
		{"NR1", "146", 146, 0, "published check value NR-01, a power meter's manual"},
		{"NR1 with plus", "+146", 146, 0, "NR-01"},
		{"NR1 negative", "-12345", -12345, 0, "NR-01"},
		{"NR2", "12.3", 12.3, 0, "NR-01"},
		{"NR2 with plus", "+1.2345", 1.2345, 0, "NR-01"},
		{"NR2 negative", "-0.123", -0.123, 0, "NR-01"},
		{"a large NR3", "+9.9E+36", 9.9e36, 0, "NR-01: just below the special numbers"},
		{"not a number", "9.91E37", 0, scpi.NotANumber, "NR-03; SCPI-1999 volume 1, 7.2.1.5"},
		{"plus infinity", "9.9E37", 0, scpi.Over, "NR-03"},
		{"minus infinity", "-9.9E37", 0, scpi.Under, "NR-03"},
		{"overload with digits", "+9.90000000E+37", 0, scpi.Over, "common practice, no source"},
		{"overload of another custom", "1E38", 0, scpi.Over, "common practice, no source"},
		{"beyond what a float64 holds", "1E400", 0, scpi.Over, "common practice, no source"},
		{"a word for overload", "OVLD", 0, scpi.Over, "common practice, no source"},
		{"infinity as a word", "inf", 0, scpi.Over, "SCPI-1999 volume 1, 7.2.1.4, from memory"},
		{"dashes", "----", 0, scpi.NotANumber, "common practice, no source"},
		{"a model's own word", "hi", 0, scpi.Over, "the tokens above"},
		{"another own word", "E-NONE", 0, scpi.NotANumber, "the tokens above"},
		{"equal forms: NR3", "0.28E2", 28, 0, "NR-04, a wavelength meter's manual"},
		{"equal forms: negative exponent", "280E-1", 28, 0, "NR-04"},
		{"equal forms: milli", "28000m", 28, 0, "NR-04"},
		{"equal forms: kilo", "0.028K", 28, 0, "NR-04"},
		{"equal forms: both", "28E-3K", 28, 0, "NR-04"},
		{"hexadecimal", "#HA2F", 2607, 0, "NR-05, a power meter's manual"},
		{"hexadecimal, small letters", "#ha4e", 2638, 0, "NR-05"},
		{"octal", "#Q62", 50, 0, "NR-05"},
		{"octal, small letter", "#q15", 13, 0, "NR-05"},
		{"binary", "#B01011", 11, 0, "NR-05"},
		{"mega before hertz", "10MHZ", 1e7, 0, "SF-02, a counter's manual"},
		{"mega before ohm", "2.2MOHM", 2.2e6, 0, "SF-02"},
		{"MA is mega", "10MAHZ", 1e7, 0, "SF-02"},
		{"millivolts", "50MV", 0.05, 0, "SF-03, from the grammar"},
		{"milliamperes", "250MA", 0.25, 0, "SF-03"},
		{"milliseconds", "100MS", 0.1, 0, "SF-03"},
		{"kilowatts", "1.5KW", 1500, 0, "SF-03"},
		{"megavolts", "50MAV", 5e7, 0, "SF-03"},
		{"a unit after a blank", " 1.000 V ", 1, 0, "common practice, no source"},
		{"a lower-case exponent", "1.5e-3", 1.5e-3, 0, "common practice, no source"},
		{"blanks around the exponent", "1.5 E -3", 1.5e-3, 0, "IEEE 488.2 clause 7.7.2.2, from memory"},
		{"no digit before the point", ".5", 0.5, 0, "IEEE 488.2 clause 7.7.2.2, from memory"},
		{"NUL bytes", "12\x00\x00", 12, 0, "common practice, no source"},
		{"more digits than a float64 has", "0.12345678901234567890123", 0.12345678901234567890123, 0, "language"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := scpi.ParseNumber([]byte(c.in), tokens)
			if err != nil || got.State != c.state || math.Abs(got.X-c.want) > 1e-15*math.Abs(c.want) {
				t.Errorf("%q reads %v, %v, %v; want %v %v (%s)", c.in, got.X, got.State, err, c.want, c.state, c.from)
			}
		})
	}
	for _, bad := range []string{"", " ", "V", "1.2.3", "12 furlongs", "0x10", "1_000", "#H", "#HG", "#X1", "--1", "E5", "\"12\"", "1,2", "#15HELLO", "#H-1"} {
		if n, err := scpi.ParseNumber([]byte(bad), nil); err == nil {
			t.Errorf("%q was read as %v", bad, n)
		}
	}
}

func TestParseWholeAndBool(t *testing.T) {
	for in, want := range map[string]int64{"5": 5, "+32": 32, "#H20": 32, "4.0": 4, "4E0": 4, "-350": -350} {
		if got, err := scpi.ParseWhole([]byte(in)); err != nil || got != want {
			t.Errorf("%q is %d, %v", in, got, err)
		}
	}
	for _, bad := range []string{"", "1.5", "one", "1 V", "9.9E37"} {
		if got, err := scpi.ParseWhole([]byte(bad)); err == nil {
			t.Errorf("%q was read as %d", bad, got)
		}
	}
	// SCPI-1999 volume 1, 7.3: a number is rounded, anything but 0 is on; answers ON and OFF are common practice
	for in, want := range map[string]bool{"1": true, "0": false, "+1": true, "0.4": false, "-3": true, "on": true, "OFF": false, " 1 ": true} {
		if got, err := scpi.ParseBool([]byte(in)); err != nil || got != want {
			t.Errorf("%q is %v, %v", in, got, err)
		}
	}
	if _, err := scpi.ParseBool([]byte("maybe")); err == nil {
		t.Error("maybe was read as a truth value")
	}
}

func TestSplit(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"one", "1", "1"},
		{"an error entry", `-113,"Undefined header;TEST:COMMAND"`, `-113|"Undefined header;TEST:COMMAND"`}, // published check value EQ-04
		{"answers of two queries", "1;2.5E+0, 3", "1|2.5E+0|3"},
		{"doubled quotes", `"a ""b, c""",2`, `"a ""b, c"""|2`},
		{"single quotes", `'it''s, so';x`, `'it''s, so'|x`},
		{"an odd apostrophe in free text", "Maker's,Model 5\",0,1.0", "Maker's|Model 5\"|0|1.0"},
		{"a string that does not end", `"abc,d`, `"abc|d`},
		{"a block with a comma", "#15A,B;C,7", "#15A,B;C|7"},
		{"a channel list", "(@1,3),4", "(@1,3)|4"},
		{"a hexadecimal number is no block", "#H1,2", "#H1|2"},
		{"empty elements", ",", "|"},
		{"nothing", "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := scpi.Split([]byte(c.in), nil)
			if joined := string(bytes.Join(got, []byte("|"))); err != nil || joined != c.want {
				t.Errorf("%q splits into %s, %v; want %s", c.in, joined, err, c.want)
			}
		})
	}
}

func TestStrings(t *testing.T) {
	for in, want := range map[string]string{`"a ""b"""`: `a "b"`, `'it''s'`: "it's", `plain`: "plain", `"open`: `"open`, `""`: "", ` "x" `: "x"} {
		if got := scpi.ParseString([]byte(in)); got != want {
			t.Errorf("%q is %q, want %q", in, got, want)
		}
	}
}

func TestAppendNumber(t *testing.T) {
	for _, c := range []struct {
		name string
		x    float64
		f    scpi.Format
		want string
	}{
		{"the shortest", 12, scpi.Format{}, "12"},
		{"nine digits by default", 1.0 / 3, scpi.Format{}, "0.333333333"},
		{"an exponent has a capital E", 1e-9, scpi.Format{}, "1E-09"},
		{"NR1 rounds", 12.6, scpi.Format{Form: scpi.NR1}, "13"},
		{"NR2", 12, scpi.Format{Form: scpi.NR2, Digits: 3}, "12.000"},
		{"NR2 always has a point", 12, scpi.Format{Form: scpi.NR2}, "12.0"},
		{"NR3", 12, scpi.Format{Form: scpi.NR3, Digits: 4}, "1.2000E+01"},
		{"millivolts are exact", 12.345, scpi.Format{Form: scpi.NR1, Scale: 1e-3}, "12345"},
		{"no negative zero", math.Copysign(0, -1), scpi.Format{}, "0"},
		{"nor one made by rounding", -0.0001, scpi.Format{Form: scpi.NR2, Digits: 3}, "0.000"},
		{"a small negative number keeps its sign", -0.001, scpi.Format{Form: scpi.NR2, Digits: 3}, "-0.001"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got, err := scpi.AppendNumber(nil, c.x, c.f); err != nil || string(got) != c.want {
				t.Errorf("%v is written %s, %v; want %s", c.x, got, err, c.want)
			}
		})
	}
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if got, err := scpi.AppendNumber(nil, bad, scpi.Format{}); err == nil || len(got) > 0 {
			t.Errorf("%v is written %s", bad, got)
		}
	}
	if got, err := scpi.AppendNumber(nil, 1e20, scpi.Format{Form: scpi.NR1}); err == nil {
		t.Errorf("1e20 is written %s as NR1", got)
	}
}

func TestAppendOthers(t *testing.T) {
	got := scpi.AppendUnit(nil, []byte(":OUTP OFF"))
	got = scpi.AppendUnit(got, scpi.AppendString([]byte(":DISP "), `a "b"`))
	got = scpi.AppendUnit(got, scpi.AppendChannels([]byte(":ROUT "), 1, 3))
	got = scpi.AppendUnit(got, scpi.AppendBool([]byte(":OUTP "), true))
	if want := `:OUTP OFF;:DISP "a ""b""";:ROUT (@1,3);:OUTP ON`; string(got) != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// Examples of manuals (BK-01 to BK-04 of the published check values) and the grammar of IEEE 488.2 clause 8.7.9.
func TestCutBlock(t *testing.T) {
	data := strings.Repeat("x", 4000)
	for _, c := range []struct{ name, in, body, rest string }{
		{"eighty bytes", "#800000080" + data[:80] + "\n", data[:80], "\n"},
		{"four thousand bytes", "#44000" + data, data, ""},
		{"thirteen bytes begin behind the fourth", "#213" + data[:13], data[:13], ""},
		{"hello", "#15HELLO,1", "HELLO", ",1"},
		{"an empty one", "#10", "", ""},
		{"a line feed inside", "#13\n\n\n\n", "\n\n\n", "\n"},
		{"blanks before", " #11a", "a", ""},
		{"indefinite", "#0a\nb\n", "a\nb", "\n"},
		{"indefinite without an end", "#0ab", "ab", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			body, rest, err := scpi.CutBlock([]byte(c.in))
			if err != nil || string(body) != c.body || string(rest) != c.rest {
				t.Errorf("%q, %q, %v", body, rest, err)
			}
		})
	}
	for _, bad := range []string{"", "#", "#H20", "#215HELLO", "#2A5xx", "#9", "#91", "HELLO", "#-1"} {
		if _, _, err := scpi.CutBlock([]byte(bad)); !errors.Is(err, scpi.ErrBlock) {
			t.Errorf("%q gives %v", bad, err)
		}
	}
}

// The two byte orders of pi as IEEE 754 singles and doubles: 40490FDB and 400921FB54442D18 (IEEE 754-2019; the values are in any text book).
func TestFloats(t *testing.T) {
	single := []byte{0x40, 0x49, 0x0f, 0xdb}
	double := []byte{0x40, 0x09, 0x21, 0xfb, 0x54, 0x44, 0x2d, 0x18}
	reverse := func(b []byte) []byte {
		out := bytes.Clone(b)
		for i := range out {
			out[i] = b[len(b)-1-i]
		}
		return out
	}
	for n := range 11 {
		for _, order := range []scpi.Order{scpi.Normal, scpi.Swapped} {
			a, b := single, double
			if order == scpi.Swapped {
				a, b = reverse(single), reverse(double)
			}
			singles, err := scpi.Float32s(nil, bytes.Repeat(a, n), order)
			if err != nil || len(singles) != n {
				t.Fatal(singles, err)
			}
			doubles, err := scpi.Float64s(nil, bytes.Repeat(b, n), order)
			if err != nil || len(doubles) != n {
				t.Fatal(doubles, err)
			}
			for i := range n {
				if singles[i] != math.Pi || doubles[i] != math.Pi {
					t.Fatalf("%d of %d: %v and %v", i, n, singles[i], doubles[i])
				}
			}
		}
	}
	if _, err := scpi.Float32s(nil, make([]byte, 6), scpi.Normal); !errors.Is(err, scpi.ErrBlock) {
		t.Errorf("six bytes: %v", err)
	}
	if _, err := scpi.Float64s(nil, make([]byte, 12), scpi.Normal); !errors.Is(err, scpi.ErrBlock) {
		t.Errorf("twelve bytes: %v", err)
	}
	if scpi.Special32(9.9e37) != scpi.Over || scpi.Special32(9.91e37) != scpi.NotANumber || scpi.Special64(-9.9e37) != scpi.Under || scpi.Special64(12) != scpi.Valid {
		t.Error("special numbers in a block are not told")
	}
}

func TestListOfNumbers(t *testing.T) {
	got, err := scpi.AppendNumbers(nil, []byte("1.5, 2.5E0;9.9E37,-1"), nil)
	want := []scpi.Number{{X: 1.5}, {X: 2.5}, {State: scpi.Over}, {X: -1}}
	if err != nil || len(got) != len(want) {
		t.Fatal(got, err)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("element %d is %v", i+1, got[i])
		}
	}
	if _, err := scpi.AppendNumbers(nil, []byte("1,x"), nil); err == nil || !strings.Contains(err.Error(), "element 2") {
		t.Errorf("got %v", err)
	}
	if _, err := (scpi.Number{State: scpi.Over}).Float(); err == nil {
		t.Error("an overload gave a number")
	}
}

func TestNothingIsAllocatedForBlocksAndLists(t *testing.T) {
	block := scpi.AppendBlock(nil, make([]byte, 4096))
	text := []byte(strings.Repeat("+1.234567E-03,", 100) + "1")
	floats, numbers := make([]float32, 0, 1024), make([]scpi.Number, 0, 128)
	if n := testing.AllocsPerRun(50, func() {
		body, _, _ := scpi.CutBlock(block)
		floats, _ = scpi.Float32s(floats, body, scpi.Normal)
		numbers, _ = scpi.AppendNumbers(numbers[:0], text, nil)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
