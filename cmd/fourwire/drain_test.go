package main

import (
	"math"
	"math/rand/v2"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"fourwire/internal/clock"
	"fourwire/record"
	"fourwire/record/trace"
)

// beaconed RECORD old|new writes a record with the trace "day": 100 s of a beacon at 1 kSa/s that sleeps at 2 uA and each second processes
// at 8 mA for 20 ms and transmits at 50 mA for 60 ms. New firmware processes for 10 ms, and measures at 500 uA for 5 ms each tenth time.
func beaconed(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: beaconed RECORD old|new")
	}
	noon := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	w, err := record.Create(ts.MkAbs(args[0]), record.Start{Tool: "fourwire test", Title: "Beacon", Clock: clock.NewVirtual(noon)})
	ts.Check(err)
	h := trace.Head{Name: "day", Start: noon, IntervalSeconds: 1e-3, Signals: []trace.Signal{
		{Name: "i", Unit: "A", Node: "i(node.supply)", Ranges: []trace.Range{
			{Full: 1e-3, Step: 1e-9, Inputs: "feed ch1 amps 1 mA", Gain: 5e-4, Offset: 1e-9},
			{Full: 0.1, Step: 1e-6, Inputs: "feed ch1 amps 100 mA", Gain: 5e-4, Offset: 5e-6},
		}},
		{Name: "v", Unit: "V", Node: "v(node.supply)", Ranges: []trace.Range{{Full: 6, Step: 1e-4}}},
	}}
	day, err := w.Trace(h)
	ts.Check(err)
	rng := rand.New(rand.NewPCG(1, 1))
	process := 20
	if args[1] == "new" {
		process = 10
	}
	for second := range int64(100) {
		b := &trace.Samples{Start: 1000 * second, Count: 1000, Values: make([][]float32, 2), Runs: make([][]trace.Run, 2)}
		for k := range b.Count {
			i, rng2 := 2e-6, uint8(0)
			switch p := k - 500; {
			case p >= 0 && p < process:
				i, rng2 = 8e-3, 1
			case p >= process && p < process+60:
				i, rng2 = 50e-3, 1
			case k >= 100 && k < 105 && second%10 == 0 && args[1] == "new":
				i = 500e-6
			}
			i += math.Hypot(20e-9, 1e-3*i) * rng.NormFloat64()
			if n := len(b.Runs[0]); n == 0 || b.Runs[0][n-1].Range != rng2 {
				b.Runs[0] = append(b.Runs[0], trace.Run{At: k, Range: rng2})
			}
			b.Values[0], b.Values[1] = append(b.Values[0], float32(i)), append(b.Values[1], 3)
		}
		ts.Check(day.Append(b))
	}
	ts.Check(w.FinishTrace(day, trace.Statement{Expected: 100000}))
	ts.Check(w.Finish(record.End{}))
}
