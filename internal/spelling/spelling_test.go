package spelling_test

import (
	"testing"

	"fourwire/internal/spelling"
)

// The first two are the usual examples of the literature on edit distances; the third is what tells optimal string alignment (3) from a distance
// that may touch a place twice (2). Quoted from memory. The others are counted by hand.
func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"kitten", "sitting", 3}, {"saturday", "sunday", 3}, {"ca", "abc", 3},
		{"", "", 0}, {"volts", "volts", 0}, {"", "amps", 4}, {"votls", "volts", 1}, {"vols", "volts", 1}, {"voltss", "volts", 1}, {"voldts", "volts", 1}, {"Volts", "volts", 1},
		{"rest", "reset", 1}, {"ab", "ba", 1}, {"abcd", "badc", 2},
	} {
		if got := spelling.Distance(c.a, c.b); got != c.want {
			t.Errorf("%q and %q are %d apart, want %d", c.a, c.b, got, c.want)
		}
		if got := spelling.Distance(c.b, c.a); got != c.want {
			t.Errorf("%q and %q are %d apart, want %d", c.b, c.a, got, c.want)
		}
	}
}

// A distance is the same both ways, 0 for equal words alone, and between the difference of the lengths and the longer one.
func FuzzDistance(f *testing.F) {
	f.Add("kitten", "sitting")
	f.Add("", "x")
	f.Fuzz(func(t *testing.T, a, b string) {
		if len(a) > 200 || len(b) > 200 {
			t.Skip()
		}
		d := spelling.Distance(a, b)
		if d != spelling.Distance(b, a) || (d == 0) != (a == b) || d > max(len(a), len(b)) || d < max(len(a)-len(b), len(b)-len(a)) {
			t.Errorf("%q and %q are %d apart", a, b, d)
		}
	})
}
