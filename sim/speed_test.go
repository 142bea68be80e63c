package sim

import (
	"context"
	"os"
	"testing"
	"time"

	"fourwire/internal/diag"
)

func buoyBench(b *testing.B) *Bench {
	b.Helper()
	text, err := os.ReadFile("../examples/buoy/buoy.scenario.yaml")
	if err != nil {
		b.Fatal(err)
	}
	var found diag.Findings
	s := Read("buoy", text, &found)
	bench, err := New(s, Options{})
	if err != nil {
		b.Fatal(err)
	}
	ctx := context.Background()
	for name, message := range map[string]string{"feed-psu": "VOLT 12;CURR 3;:OUTP ON", "sink": "CURR 1;:INP ON"} {
		l, err := bench.Link(name)
		if err != nil {
			b.Fatal(err)
		}
		_ = l.Send(ctx, []byte(message))
		_ = bench.Clock().Sleep(ctx, 200*time.Millisecond)
	}
	return bench
}

// The operating point of the example bench after a change of the load current, capacitors held.
func BenchmarkOperatingPoint(b *testing.B) {
	bench := buoyBench(b)
	amps := [2]string{"CURR 1", "CURR 1.1"}
	l, _ := bench.Link("sink")
	for i := 0; b.Loop(); i++ {
		b.StopTimer()
		_ = l.Send(context.Background(), []byte(amps[i&1]))
		_ = bench.Clock().Sleep(context.Background(), 2*time.Millisecond)
		bench.engine.touch()
		b.StartTimer()
		bench.engine.observe()
	}
}

// The DC point of the same network from scratch: capacitors open, from the open-circuit voltages.
func BenchmarkPointFromScratch(b *testing.B) {
	bench := buoyBench(b)
	for _, c := range bench.engine.caps {
		c.slope, c.offset = 0, 0
	}
	for b.Loop() {
		bench.engine.net.Forget()
		if _, err := bench.engine.net.Settle(); err != nil {
			b.Fatal(err)
		}
	}
}

// One time step of the example bench.
func BenchmarkStep(b *testing.B) {
	bench := buoyBench(b)
	e := &bench.engine
	before := e.steps
	b.ReportAllocs()
	for b.Loop() {
		e.resting, e.next = false, 1000
		e.step(e.now + 1000)
	}
	b.ReportMetric(float64(e.steps-before)/float64(b.N), "solutions/op")
}

// A load step and 50 ms of settling, as one point of a sweep has them.
func BenchmarkLoadStep(b *testing.B) {
	bench := buoyBench(b)
	l, _ := bench.Link("sink")
	before := bench.engine.steps
	i := 0
	for b.Loop() {
		_ = l.Send(context.Background(), []byte([2]string{"CURR 0.5", "CURR 2"}[i&1]))
		_ = bench.Clock().Sleep(context.Background(), 50*time.Millisecond)
		i++
	}
	b.ReportMetric(float64(bench.engine.steps-before)/float64(b.N), "solutions/op")
}

// One in-process query, processing time included in simulated time.
func BenchmarkQuery(b *testing.B) {
	bench := buoyBench(b)
	l, _ := bench.Link("dmm-in")
	ctx, cancel := bench.Clock().WithTimeout(context.Background(), 1<<62)
	defer cancel()
	var answer []byte
	query := []byte("*STB?")
	b.ReportAllocs()
	for b.Loop() {
		if err := l.Send(ctx, query); err != nil {
			b.Fatal(err)
		}
		var err error
		if answer, err = l.Receive(ctx, answer); err != nil {
			b.Fatal(err)
		}
	}
}

// A load step of the example bench with 32768 samples of volts and amps at 2 us around it, the answer included.
func BenchmarkDigitisedLoadStep(b *testing.B) {
	bench := buoyBench(b)
	l, _ := bench.Link("sink")
	ctx, cancel := bench.Clock().WithTimeout(context.Background(), 1<<62)
	defer cancel()
	say := func(message string) { _ = l.Send(ctx, []byte(message)) }
	say(":FORM REAL,32;:FORM:BORD SWAP;:SENS:SWE:TINT 2E-6;:SENS:SWE:POIN 32768;:SENS:SWE:OFFS:POIN -8192;:TRIG:SEQ2:SOUR CURR;:TRIG:SEQ2:LEV 1.5;:TRIG:SEQ2:SLOP EITH")
	before := bench.engine.steps
	var answer []byte
	i := 0
	b.ReportAllocs()
	for b.Loop() {
		say(":INIT:SEQ2")
		_ = bench.Clock().Sleep(ctx, 50*time.Millisecond)
		say([2]string{"CURR 2", "CURR 1"}[i&1])
		say(":FETC:ARR:VOLT?")
		var err error
		if answer, err = l.Receive(ctx, answer); err != nil || len(answer) < 4*32768 {
			b.Fatalf("%d bytes, %v", len(answer), err)
		}
		i++
	}
	b.ReportMetric(float64(bench.engine.steps-before)/float64(b.N), "solutions/op")
	b.ReportMetric(float64(b.N)*2*32768/b.Elapsed().Seconds()/1e6, "Msamples/s")
}

// Time steps as they are while samples are taken: 1 us each, the converter's loop and one sample of volts and amps included.
func BenchmarkDigitisedStep(b *testing.B) {
	bench := buoyBench(b)
	l, _ := bench.Link("sink")
	_ = l.Send(context.Background(), []byte(":SENS:SWE:TINT 2E-6;:SENS:SWE:POIN 32768;:SENS:SWE:OFFS:POIN -8192;:TRIG:SEQ2:SOUR BUS;:INIT:SEQ2"))
	_ = bench.Clock().Sleep(context.Background(), 10*time.Millisecond)
	e := &bench.engine
	b.ReportAllocs()
	for b.Loop() {
		e.resting, e.next = false, 2000
		e.step(e.now + 2000)
	}
	b.ReportMetric(1/b.Elapsed().Seconds()*float64(b.N), "steps/s")
}
