package trace_test

import (
	"fmt"
	"os"
	"time"

	"fourwire/record/trace"
)

// A beacon sends for 2 ms of every 10 ms. Two samples are lost on the way; they stay lost.
func Example() {
	dir, err := os.MkdirTemp("", "traces")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	w, err := trace.Create(dir, trace.Head{
		Name: "beacon", Start: time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC), IntervalSeconds: 1e-3,
		Signals: []trace.Signal{{Name: "i", Unit: "A", Ranges: []trace.Range{{Full: 1e-3, Step: 1e-9}, {Full: 0.1, Step: 1e-7}}}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	sleep := float32(2e-6)
	for start := int64(0); start < 1000; start += 10 {
		b := trace.Samples{Start: start, Count: 10,
			Values: [][]float32{{0.02, 0.02, sleep, sleep, sleep, sleep, sleep, sleep, sleep, sleep}},
			Runs:   [][]trace.Run{{{At: 0, Range: 1}, {At: 2, Range: 0}}}}
		if start == 500 {
			b.Count = 8
		}
		if err := w.Append(&b); err != nil {
			fmt.Println(err)
			return
		}
	}
	if err := w.Finish(trace.Statement{Expected: 1000}); err != nil {
		fmt.Println(err)
		return
	}

	t, err := trace.Open(dir, "beacon")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer t.Close()
	all, err := t.Span(0, 0, t.Len())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%d samples, %.6g C, up to %.3g A; %v\n", all.Count, all.Integral, all.Max, t.Statement().Gaps)
	bins, err := t.Zoom(0, 0, 20, 4, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, b := range bins {
		fmt.Printf("%2d to %2d: %.4g to %.4g A\n", b.From, b.To, b.Min, b.Max)
	}
	// Output:
	// 998 samples, 0.0040016 C, up to 0.02 A; [{508 2 }]
	//  0 to  5: 2e-06 to 0.02 A
	//  5 to 10: 2e-06 to 2e-06 A
	// 10 to 15: 2e-06 to 0.02 A
	// 15 to 20: 2e-06 to 2e-06 A
}
