package scpi_test

import (
	"bytes"
	"math"
	"testing"

	"fourwire/driver/scpi"
)

// What is cut apart is the end of what came.
func FuzzCutBlock(f *testing.F) {
	for _, seed := range []string{"#14\x00\x01\x02\x03", "#15HELLO", "#0a\nb\n", " #10", "#215HELLO", "#9999999999x", "#2A5"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, wire []byte) {
		body, rest, err := scpi.CutBlock(wire)
		if err == nil && !bytes.HasSuffix(wire, append(bytes.Clone(body), rest...)) {
			t.Errorf("%q split into %q and %q", wire, body, rest)
		}
		if again, _, err := scpi.CutBlock(scpi.AppendBlock(nil, wire)); err != nil || !bytes.Equal(again, wire) {
			t.Errorf("%q came back as %q, %v", wire, again, err)
		}
	})
}

// What is written is read back as the same number, to the digits written; special numbers are never taken for numbers.
func FuzzNumber(f *testing.F) {
	f.Add(12.5, uint8(0), uint8(0))
	f.Add(-0.00123, uint8(2), uint8(6))
	f.Add(9.9e37, uint8(3), uint8(3))
	f.Fuzz(func(t *testing.T, x float64, form, digits uint8) {
		format := scpi.Format{Form: scpi.Form(form % 4), Digits: int(digits % 18)}
		text, err := scpi.AppendNumber(nil, x, format)
		if err != nil {
			return
		}
		got, err := scpi.ParseNumber(text, nil)
		if err != nil {
			t.Fatalf("%v was written %s: %v", x, text, err)
		}
		if got.State != scpi.Valid {
			if math.Abs(x) < 9.4e37 { // one digit is enough to round what lies above to a number that means overload
				t.Fatalf("%v was written %s and read as %v", x, text, got.State)
			}
			return
		}
		if got.X == 9.9e37 || got.X == 9.91e37 || got.X == -9.9e37 {
			t.Fatalf("%s was taken for a number", text)
		}
		tolerance := math.Abs(x) * math.Pow(10, -float64(format.Digits)) // a significant digit
		switch {
		case format.Form == scpi.NR1:
			tolerance = 0.5
		case format.Form == scpi.NR2:
			tolerance = 0.51*math.Pow(10, -float64(max(1, format.Digits))) + math.Abs(x)*1e-15
		case format.Form == scpi.NRf && format.Digits == 0:
			tolerance = math.Abs(x) * 1e-8
		case format.Form == scpi.NRf:
			tolerance *= 10
		case format.Digits < 1:
			tolerance = math.Abs(x) * 0.1
		}
		if math.Abs(got.X-x) > tolerance+5e-324 {
			t.Errorf("%v was written %s and read as %v", x, text, got.X)
		}
	})
}

// The elements stand in the response in order, and nothing but separators and blanks lies between them.
func FuzzSplit(f *testing.F) {
	for _, seed := range []string{`-113,"Undefined header;x"`, "1;2,3", "#15A,B;C,7", "(@1,3),4", `'it''s',"`, ",,;", "\"\"\"", "#0a,b"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, response []byte) {
		parts, err := scpi.Split(response, nil)
		if err != nil {
			return
		}
		rest := response
		for _, p := range parts {
			at := bytes.Index(rest, p)
			if at < 0 || len(bytes.Trim(rest[:at], " \t\r\n\x00,;")) > 0 {
				t.Fatalf("%q is not next in %q", p, rest)
			}
			rest = rest[at+len(p):]
			scpi.ParseNumber(p, nil)
			scpi.ParseBool(p)
			scpi.ParseWhole(p)
		}
		if len(bytes.Trim(rest, " \t\r\n\x00,;")) > 0 {
			t.Fatalf("%q of %q is left", rest, response)
		}
	})
}

// A string that is written is read back.
func FuzzString(f *testing.F) {
	f.Add(`a "b" c`)
	f.Add("")
	f.Fuzz(func(t *testing.T, text string) {
		if got := scpi.ParseString(scpi.AppendString(nil, text)); got != text {
			t.Errorf("%q came back as %q", text, got)
		}
	})
}
