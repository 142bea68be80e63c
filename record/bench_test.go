package record_test

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
)

// BenchmarkSweepPoint is what the record costs at one point of an efficiency sweep: a row of four measured and four derived values, their error
// terms, three verdicts, twenty messages, and the point's share of the seals; beside a bare append of the same bytes by the same number of writes, in turn. It is to
// stay small against the 100 us that the runner may take for a point of its own.
func BenchmarkSweepPoint(b *testing.B) {
	names := []string{"vi", "ii", "vo", "io", "pin", "pout", "efficiency", "loss"}
	cols := []record.Column{{Name: "iout", Kind: record.Coordinate, Dim: quantity.Current}}
	for _, n := range names {
		cols = append(cols, record.Column{Name: n, Kind: record.Measured, Dim: quantity.Voltage})
	}
	dir := filepath.Join(b.TempDir(), "r")
	v := clock.NewVirtual(noon)
	var ledger measured.Ledger
	s := start(v)
	s.Ledger = &ledger
	w, err := record.Create(dir, s)
	if err != nil {
		b.Fatal(err)
	}
	defer w.Close()
	if err := w.Columns(cols, false); err != nil {
		b.Fatal(err)
	}
	shared := make([]measured.ID, 8)
	for i := range shared {
		shared[i] = ledger.Shared(measured.Input{Name: "dmm-in ch1 volts 20 V gain " + names[i], Kind: measured.Gain})
	}
	message := []byte(":FETC?;:SYST:ERR?\n")
	one := func(n int) {
		p := record.Point{Number: n, Valid: true, Settled: true, Cells: map[string]record.Cell{}, Terms: map[string][]measured.Term{},
			Modes: map[string]string{"feed": "CV", "sink": "CC"}, Ranges: map[string]string{"vi": "20 V", "ii": "3 A", "vo": "20 V", "io": "10 A"}}
		for i, name := range names {
			p.Cells[name] = record.Cell{SI: math.Sqrt(float64(n + i)), U: 1e-3 / float64(n+1), Biggest: "dmm-in ch1 volts 20 V gain"}
			own := ledger.Own(measured.Input{Name: "dmm-in ch1 volts 20 V noise", Kind: measured.Noise})
			p.Terms[name] = []measured.Term{{Input: shared[i], Part: 1e-3 / 3}, {Input: shared[(i+1)%8], Part: 2e-4 / 3}, {Input: own, Part: 1e-5 / 3}}
		}
		for range 20 {
			w.Wire(v.Now(), "dmm-in", "tcp://127.0.0.1:5025", true, message)
		}
		for range 3 {
			err = errors.Join(err, w.Verdict(record.Verdict{Point: n, Limit: "efficiency >= 88 %", Clause: "4.2", Outcome: record.Pass, Value: 0.9, U: 0.01, Bound: 0.88, Unit: "1", Rule: "simple acceptance"}))
		}
		err = errors.Join(err, w.Point(p))
		_ = v.Sleep(b.Context(), 100*time.Millisecond)
	}
	size := func() int64 {
		var sum int64
		for _, name := range []string{record.PointsFile, record.TermsFile, record.WireFile, record.LogFile} {
			if info, err := os.Stat(filepath.Join(dir, name)); err == nil {
				sum += info.Size()
			}
		}
		return sum
	}
	for n := range 200 {
		one(n + 1)
	}
	perPoint := size() / 200
	const writes = 25
	bare, err2 := os.OpenFile(filepath.Join(b.TempDir(), "bare"), os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o666)
	if err2 != nil {
		b.Fatal(err2)
	}
	defer bare.Close()
	piece := make([]byte, perPoint/writes)
	var inRecord, inBare []time.Duration
	n := 200
	for b.Loop() {
		n++
		at := clock.Real().Now()
		one(n)
		inRecord = append(inRecord, clock.Real().Since(at))
		at = clock.Real().Now()
		for range writes {
			if _, err := bare.Write(piece); err != nil {
				b.Fatal(err)
			}
		}
		inBare = append(inBare, clock.Real().Since(at))
	}
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(perPoint), "B/point")
	slices.Sort(inRecord)
	slices.Sort(inBare)
	middle, floor := inRecord[len(inRecord)/2], inBare[len(inBare)/2] // medians, so that other work on the machine does not decide
	b.ReportMetric(float64(middle)/float64(floor), "x-bare")
	b.ReportMetric(float64(middle.Nanoseconds())/1e3, "us/point")
}
