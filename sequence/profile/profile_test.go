package profile_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"fourwire/internal/diag"
	"fourwire/sequence/profile"
)

// bench is a usual source of the middle class: common practice, no source.
var bench = profile.Ability{HighVolts: 32, StepVolts: 1e-3, SlewUp: 500, SlewDown: 200, Steps: 100, Least: 1e-3, Most: 3600, HostSeconds: 9e-3}

func find(t *testing.T, name string) *profile.Preset {
	t.Helper()
	list, err := profile.Presets()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range list {
		if p.Name == name {
			return p
		}
	}
	t.Fatalf("there is no %s", name)
	return nil
}

// Figures of presets, and what is said of where they are from.
func TestPresetFigures(t *testing.T) {
	for _, c := range []struct {
		name      string
		low, high float64
		basis     profile.Basis
		from      string
	}{
		{"road-12v-code-c", 9, 16, profile.Read, "ISO 16750-2:2010 table 1"},
		{"road-24v-code-e", 10, 32, profile.Read, "ISO 16750-2:2010 table 2"},
		{"road-12v-start-2", 4.5, 12, profile.FromMemory, "ISO 16750-2:2010, level II, from memory"},
		{"road-12v-start-4", 5.5, 12, profile.FromMemory, "the same, level IV: 6.5 V less half of 2 V of ripple is below its dip of 6 V; from memory"},
		{"road-12v-engage", 5, 12, profile.Read, "ISO 7637-2 pulse 4: 12 V less 7 V"},
		{"road-12v-load-dump", 14, 101, profile.FromMemory, "ISO 16750-2 test A: 79 to 101 V"},
		{"road-24v-load-dump-clamped", 28, 58, profile.FromMemory, "ISO 16750-2 test B"},
		{"telecom-48v", 40.5, 57, profile.Read, "EN 300 132-2 V2.8.1 section 4.2"},
		{"poe-type-4-device", 41.1, 57, profile.Read, "IEEE 802.3bt"},
		{"usb-pd-9v", 8.55, 9.45, profile.Read, "USB PD r3.2 v1.2 table 4.6"},
		{"industrial-24v-dynamic", 18.5, 30.2, profile.Read, "EN 61131-2 as cited by a maker"},
		{"rail-72v", 43.2, 100.8, profile.FromMemory, "EN 50155: 0.6 and 1.4 of nominal, from memory"},
	} {
		p := find(t, c.name)
		low, high := p.Wave.Span()
		if math.Abs(low-c.low) > 1e-6 || math.Abs(high-c.high) > 0.01 || p.Basis != c.basis {
			t.Errorf("%s: %g to %g V, %s; wanted %g to %g V, %s (%s)", c.name, low, high, p.Basis, c.low, c.high, c.basis, c.from)
		}
	}
	p := find(t, "telecom-48v")
	if !p.Negative || p.Tag() != "ETSI EN 300 132-2, V2.8.1, 4.2, interface A (read)" {
		t.Errorf("%v %s", p.Negative, p.Tag())
	}
	if got := find(t, "road-12v-start-1").Tag(); !strings.Contains(got, "from memory, unverified") {
		t.Errorf("%s", got)
	}
}

// Every preset says where it is from, and a source without limits follows all of them.
func TestPresetsAreWhole(t *testing.T) {
	list, err := profile.Presets()
	if err != nil || len(list) < 50 {
		t.Fatalf("%d presets, %v", len(list), err)
	}
	ideal := profile.Ability{LowVolts: 0, HighVolts: 1000, Steps: 100000, Least: 1e-6}
	for _, p := range list {
		if p.Title == "" || p.Standard == "" || p.Basis == profile.Read && p.Source == "" || p.Repeat < 1 || p.Repeat > 1 && p.Wave.Last() != p.Wave.First() {
			t.Errorf("%+v", p)
		}
		if f := profile.Nearest(p.Wave, ideal, p.Tolerance); !f.Exact() || len(f.Edges) > 0 {
			t.Errorf("%s: outside for %g s, %g V off at %g s", p.Name, f.OutsideSeconds, f.WorstVolts, f.WorstAt)
		}
	}
}

// A fall of 7.5 V at 200 V/s takes 37.5 ms; the dip of 15 ms is over by then. Worked out by hand: the level of the dip holds from 0.1 s to
// 0.12 s, and from 12 V on the source comes down by 200 V/s x 20 ms to 8 V, then meets the rising line.
func TestASlowSourceFallsShort(t *testing.T) {
	w := profile.Wave{{0, 12}, {0.1, 12}, {0.1, 4.5}, {0.12, 4.5}, {0.12, 12}, {0.2, 12}}
	f := profile.Nearest(w, bench, profile.Tolerance{Volts: 0.05})
	if f.By != profile.ByList || math.Abs(f.LowVolts-8) > 1e-9 || math.Abs(f.WorstVolts-7.5) > 1e-5 {
		t.Errorf("%+v", f)
	}
	// 20 ms of the dip, and 4 V at 500 V/s afterwards, less the last 50 mV: 8 ms - 0.1 ms
	if want := 0.02 + 0.008 - 0.0001; math.Abs(f.OutsideSeconds-want) > 1e-4 {
		t.Errorf("outside for %g s, %g s by hand", f.OutsideSeconds, want)
	}
	if len(f.Edges) != 2 || math.Abs(f.Edges[0].Takes-0.0375) > 1e-9 || f.Edges[0].Asked != 0 {
		t.Errorf("%+v", f.Edges)
	}
}

func TestWhatIsHeldIsHeldExactly(t *testing.T) {
	w := profile.Wave{{0, 12}, {1, 12}, {1.1, 6}, {11.1, 6}, {11.2, 12}, {12, 12}}
	few := bench
	few.Steps = 7
	f := profile.Nearest(w, few, profile.Tolerance{Relative: 0.5})
	if f.By != profile.ByList || len(f.Steps) > 7 {
		t.Fatalf("%+v", f)
	}
	for _, at := range []float64{0.5, 5, 11.9} {
		if got := f.Expected(few).At(at); got != w.At(at) {
			t.Errorf("%g V at %g s, wanted %g V", got, at, w.At(at))
		}
	}
}

func TestAListIsLeftToEndSafely(t *testing.T) {
	for _, c := range []struct {
		last float64
		want profile.Way
	}{{12, profile.ByList}, {0, profile.ByList}, {6, profile.ByHost}} {
		w := profile.Wave{{0, 12}, {1, 8}, {2, c.last}, {3, c.last}}
		if f := profile.Nearest(w, bench, profile.Tolerance{Volts: 0.2}); f.By != c.want {
			t.Errorf("one that ends at %g V goes by %s", c.last, f.By)
		}
	}
}

func ExampleNearest() {
	w := profile.Wave{{0, 12}, {0.1, 12}, {0.105, 8}, {1, 8}, {1.05, 12}, {2, 12}}
	f := profile.Nearest(w, profile.Ability{HighVolts: 32, SlewUp: 400, SlewDown: 400, Steps: 100, Least: 1e-3}, profile.Tolerance{Relative: 0.02})
	fmt.Printf("%s, down to %.0f V, outside 2 %% for %.1f ms\n", f.By, f.LowVolts, 1e3*f.OutsideSeconds)
	// By hand: it falls behind by 400 V/s and is 2 % of 12 V away after 0.6 ms; 2 % of 8 V are left after 9.6 ms.

	// Output: list, down to 8 V, outside 2 % for 9.0 ms
}

// Whatever is wanted, a list stays inside what the source can do, and says truly how far off it is.
func FuzzNearest(f *testing.F) {
	f.Add(12.0, 4.5, 0.005, 6.5, 1.0, 0.05, 200.0, 20)
	f.Add(0.0, 32.0, 0.0, -5.0, 3600.0, 1e-4, 0.0, 3)
	f.Fuzz(func(t *testing.T, v0, v1, t1, v2, t2, t3, slew float64, steps int) {
		w := profile.Wave{{0, v0}, {t1, v1}, {t1 + t2, v2}, {t1 + t2 + t3, v0}}
		for _, x := range []float64{v0, v1, v2, t1, t2, t3, slew} {
			if math.IsNaN(x) || math.Abs(x) > 1e6 || x != 0 && math.Abs(x) < 1e-6 {
				t.Skip()
			}
		}
		if w.Check() != nil || slew < 0 || steps < 2 || steps > 200 {
			t.Skip()
		}
		a := profile.Ability{LowVolts: 0, HighVolts: 32, StepVolts: 1e-3, SlewUp: slew, SlewDown: slew, Steps: steps, Least: 1e-3, Most: 3600, HostSeconds: 0.01}
		got := profile.Nearest(w, a, profile.Tolerance{Relative: 0.01})
		if got.By == profile.ByList && len(got.Steps) > steps {
			t.Skip() // even the coarsest needs more, as where a step may not be long enough
		}
		last := -1.0
		for i, s := range got.Steps {
			if s.Volts < -1e-9 || s.Volts > 32+1e-9 || s.Seconds < last {
				t.Fatalf("step %d: %+v", i, s)
			}
			if got.By == profile.ByList && i > 0 && i+1 < len(got.Steps) && s.Seconds-last < 1e-3*(1-1e-6) {
				t.Fatalf("step %d is left after %g s", i-1, s.Seconds-last)
			}
			last = s.Seconds
		}
		course := got.Expected(a)
		for k := range 50 {
			at := w.Seconds() * float64(k) / 50
			if d := math.Abs(course.At(at) - w.At(at)); d > got.WorstVolts*(1+1e-5)+1e-5*(1+math.Abs(v0)+math.Abs(v1)+math.Abs(v2)) {
				t.Fatalf("%g V off at %g s, said %g V at most", d, at, got.WorstVolts)
			}
		}
	})
}

func FuzzReadPresets(f *testing.F) {
	f.Add([]byte("fourwire: presets/1\npresets:\n  a:\n    title: t\n    standard: s\n    basis: from memory\n    points: [[0 s, 1 V], [1 s, 2 V]]\n    within: {volts: 1 V}\n"))
	f.Add([]byte("fourwire: presets/1\npresets:\n  a: {title: t, standard: s, basis: read, source: x, walk: {range: 1..2 V, nominal: 1 V, hold: 1 s, move: 1 s}, ripple: {frequency: 2 Hz, peak_to_peak: 1 V, from: 0 s, to: 1 s}, within: {}}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		var found diag.Findings
		for _, p := range profile.ReadPresets("f.yaml", data, &found) {
			if err := p.Wave.Check(); err != nil {
				t.Fatalf("%s was read: %v", p.Name, err)
			}
		}
	})
}
