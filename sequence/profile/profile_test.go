package profile_test

import (
	"testing"

	"fourwire/sequence/profile"
)

func TestPresetsRead(t *testing.T) {
	list, err := profile.Presets()
	if err != nil {
		t.Fatal(err)
	}
	a := profile.Ability{HighVolts: 32, StepVolts: 1e-3, SlewUp: 500, SlewDown: 200, Steps: 100, Least: 1e-3, Most: 3600, HostSeconds: 0.02}
	for _, p := range list {
		f := profile.Nearest(p.Wave, a, p.Tolerance)
		lo, hi := p.Wave.Span()
		t.Logf("%-28s %-4s steps %4d worst %8.3f V at %8.3f s outside %8.3f s  %.1f..%.1f of %.1f..%.1f clipped %v edges %d | %s", p.Name, f.By, len(f.Steps), f.WorstVolts, f.WorstAt, f.OutsideSeconds, f.LowVolts, f.HighVolts, lo, hi, f.Clipped, len(f.Edges), p.Tag())
	}
}
