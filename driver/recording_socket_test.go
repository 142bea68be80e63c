package driver_test

import (
	"context"
	"os"
	"runtime"
	"testing"
	"time"

	"fourwire/driver"
	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/sim"
	"fourwire/sim/serve"
	"fourwire/transport"
	"fourwire/transport/dial"
)

// Over a socket, with a simulator that does not wait for the clock: a minute at 1 kSa/s; with FOURWIRE_LONG=1 an hour at 50 kSa/s, with its pace and
// its memory. Nothing is lost, and the unit's own count agrees.
func TestARecordingOverASocket(t *testing.T) {
	interval, samples, least, hold := 1e-3, int64(60_000), 1000, time.Hour
	if os.Getenv("FOURWIRE_LONG") == "1" {
		interval, samples, least, hold = 20e-6, 180_000_000, 12_500, 0 // it learns how long
	}
	text, err := os.ReadFile("../examples/beacon/beacon.scenario.yaml")
	must(t, err)
	var found diag.Findings
	scene := sim.Read("beacon.scenario.yaml", text, &found)
	if scene == nil {
		t.Fatal(found.List())
	}
	bench, err := sim.New(scene, sim.Options{})
	must(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	where, served := make(chan string, 1), make(chan error, 1)
	go func() {
		served <- serve.Serve(ctx, bench, serve.Options{
			Endpoints: []serve.Endpoint{{Instrument: "smu-a", Address: "tcp://127.0.0.1:0"}},
			Ready:     func(all []serve.Endpoint) { where <- all[0].Address },
		})
	}()
	defer func() { cancel(); <-served }()
	address, err := transport.ParseAddress(<-where)
	must(t, err)
	link, err := (&dial.Dialer{}).Dial(ctx, address)
	must(t, err)
	in, err := driver.Open(ctx, driver.Config{Name: "smu-a", Model: libraryModel(t, "source-measure-unit"), Link: link})
	must(t, err)
	defer in.Close()
	must(t, in.Prepare(ctx))
	source, err := in.Source(1)
	must(t, err)
	must(t, source.SetAmps(ctx, 0.5))
	must(t, source.SetVolts(ctx, 3))
	must(t, source.Output(ctx, true))
	r, err := in.Recorder(1)
	must(t, err)
	_, err = r.Start(ctx, driver.Recording{Functions: []driver.Function{driver.Amps}, IntervalSeconds: interval, MostAmps: 0.3, LongestHold: hold})
	must(t, err)
	var s driver.Samples
	begun, next, coulombs := clock.Real().Now(), int64(0), 0.0
	for next < samples {
		must(t, r.Fetch(ctx, 65_536, least, &s))
		if s.Start != next || s.Lost != 0 {
			t.Fatalf("a block from %d on, where %d was expected; %d are lost", s.Start, next, s.Lost)
		}
		for _, x := range s.Values[0] {
			coulombs += float64(x)
		}
		next += int64(s.Count)
	}
	took := clock.Real().Since(begun)
	must(t, r.Stop(ctx))
	for s.Count = 1; s.Count > 0; next += int64(s.Count) {
		must(t, r.Fetch(ctx, 65_536, 0, &s))
		for _, x := range s.Values[0] {
			coulombs += float64(x)
		}
	}
	totals, err := r.Totals(ctx)
	must(t, err)
	if coulombs *= interval; totals.Taken != next || totals.Lost != 0 || coulombs < totals.Coulombs*(1-1e-4) || coulombs > totals.Coulombs*(1+1e-4) {
		t.Errorf("the unit counts %+v; %d samples with %v C were fetched", totals, next, coulombs)
	}
	if os.Getenv("FOURWIRE_LONG") == "1" {
		var memory runtime.MemStats
		runtime.ReadMemStats(&memory)
		t.Logf("%d samples in %v, simulator included: %.3g million a second; %d MB of memory from the system", next, took.Round(time.Millisecond), float64(next)/took.Seconds()/1e6, memory.Sys>>20)
	}
	must(t, in.Release(ctx))
}
