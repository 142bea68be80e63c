package main

import (
	"errors"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"fourwire/internal/clock"
	"fourwire/record"
	"fourwire/record/trace"
)

// traced RECORD writes a record with two traces. "day" is 20 s of a beacon's supply at 1 kSa/s: 2 uA asleep, 20 mA for 100 ms of every second,
// at 3 V, without the 500 samples from 12.5 s on. "begun" was cut off.
func traced(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: traced RECORD")
	}
	noon := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	w, err := record.Create(ts.MkAbs(args[0]), record.Start{Tool: "fourwire test", Title: "Beacon", Clock: clock.NewVirtual(noon)})
	ts.Check(err)
	h := trace.Head{Name: "day", Start: noon, IntervalSeconds: 1e-3, Signals: []trace.Signal{
		{Name: "i", Unit: "A", Node: "i(node.supply)", Ranges: []trace.Range{{Full: 1e-3, Step: 1e-9}, {Full: 0.1, Step: 1e-6}}},
		{Name: "v", Unit: "V", Node: "v(node.supply)", Ranges: []trace.Range{{Full: 6, Step: 1e-4}}},
	}}
	day, err := w.Trace(h)
	ts.Check(err)
	for second := range int64(20) {
		b := &trace.Samples{Start: 1000 * second, Count: 1000, Values: make([][]float32, 2), Runs: [][]trace.Run{{{At: 0, Range: 1}, {At: 100, Range: 0}}, nil}}
		if second == 12 {
			b.Count = 500
		}
		for k := range b.Count {
			i := float32(2e-6)
			if k < 100 {
				i = 0.02
			}
			b.Values[0], b.Values[1] = append(b.Values[0], i), append(b.Values[1], 3)
		}
		ts.Check(day.Append(b))
	}
	ts.Check(w.FinishTrace(day, trace.Statement{Expected: 20000}))
	ts.Check(w.Finish(record.End{}))
	h.Name = "begun"
	begun, err := trace.Create(ts.MkAbs(args[0])+"/traces", h)
	ts.Check(err)
	ts.Check(errors.Join(begun.Sync(), begun.Close()))
}
