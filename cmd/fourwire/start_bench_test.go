package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// BenchmarkCheckStart is `fourwire check` of the efficiency example, the whole process, beside a Go program that does nothing,
// in turn: the ratio is what this program adds to starting at all. Promised: under 60 ms for a 200-line file.
func BenchmarkCheckStart(b *testing.B) {
	dir := b.TempDir()
	build := func(name, pkg string) string {
		out := filepath.Join(dir, name)
		if text, err := exec.Command("go", "build", "-o", out, pkg).CombinedOutput(); err != nil {
			b.Fatalf("%v\n%s", err, text)
		}
		return out
	}
	source := filepath.Join(dir, "nothing.go")
	if err := os.WriteFile(source, []byte("package main\n\nfunc main() {}\n"), 0o644); err != nil {
		b.Fatal(err)
	}
	nothing, fourwire := build("nothing", source), build("fourwire", ".")
	example := filepath.Join("..", "..", "examples", "buoy", "efficiency.yaml")
	run := func(program string, args ...string) time.Duration {
		start := time.Now()
		if err := exec.Command(program, args...).Run(); err != nil {
			b.Fatal(err)
		}
		return time.Since(start)
	}
	var floor, check time.Duration
	n := 0
	for b.Loop() {
		floor += run(nothing)
		check += run(fourwire, "check", example)
		n++
	}
	b.ReportMetric(float64(check.Microseconds())/1e3/float64(n), "ms/check")
	b.ReportMetric(float64(floor.Microseconds())/1e3/float64(n), "ms/nothing")
	b.ReportMetric(float64(check)/float64(floor), "x-floor")
}
