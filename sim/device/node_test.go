package device_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"fourwire/sim/device"
)

func fleet() device.NodeParams {
	return device.NodeParams{
		SleepA: 1e-6, TickA: 10e-6, TickNs: 500_000, TickEveryNs: 1e9, WakeA: 1e-3, WakeNs: 2e6, SampleA: 3e-3, SampleNs: 5e6, ProcessA: 8e-3, ProcessNs: 20e6,
		TransmitW: 150e-3, TransmitNs: 60e6, ReceiveA: 10e-3, ReceiveNs: 20e6, RetryShare: 0.25, Retries: 3, PeriodNs: 10e9, Jitter: 0.1,
		BootA: 10e-3, BootNs: 100e6, BrownOutV: 1.8, RestartV: 2, ResetNs: 1e6,
	}
}

// draws is evenly spread over -1..1, from the standard library's generator.
func draws(what string, number uint64) float64 {
	return 2*rand.New(rand.NewPCG(number, uint64(len(what)))).Float64() - 1
}

// A node at a constant supply: its states follow each other with the lengths that its figures state; the periods scatter within the jitter;
// a quarter of the transmissions is repeated.
func TestNodeFollowsItsTimers(t *testing.T) {
	n := &device.Node{NodeParams: fleet(), Draw: draws}
	if !n.Step(0, 3) && !n.Step(1e6, 3) {
		t.Fatal("it does not start")
	}
	after := map[string]map[string]bool{
		"boot": {"wake": true}, "sleep": {"tick": true, "wake": true}, "tick": {"sleep": true, "wake": true}, "wake": {"sample": true},
		"sample": {"process": true}, "process": {"transmit": true}, "transmit": {"receive": true}, "receive": {"transmit": true, "sleep": true},
	}
	length := map[string]int64{"boot": 100e6, "tick": 500_000, "wake": 2e6, "sample": 5e6, "process": 20e6, "transmit": 60e6, "receive": 20e6}
	var since, woke int64
	last, count, shortest, longest := n.State().String(), map[string]int{}, int64(math.MaxInt64), int64(0)
	since = n.Next() - 100e6
	for count["wake"] < 2001 {
		now := n.Next()
		if !n.Step(now, 3) {
			t.Fatalf("%s: nothing happens at the end of %s", n.State(), last)
		}
		state := n.State().String()
		if !after[last][state] {
			t.Fatalf("%s follows %s", state, last)
		}
		if want := length[last]; want != 0 && now-since != want && !(last == "tick" && state == "wake") {
			t.Fatalf("%s lasts %d ns, want %d", last, now-since, want)
		}
		if state == "wake" {
			if count["wake"] > 0 {
				shortest, longest = min(shortest, now-woke), max(longest, now-woke)
			}
			woke = now
		}
		count[state]++
		since, last = now, state
	}
	if shortest < 9e9 || longest > 11e9 || shortest > 9.01e9 || longest < 10.99e9 {
		t.Errorf("periods from %d to %d ns, want 9 to 11 s", shortest, longest)
	}
	// n cycles make n (1 + p + p^2 + p^3) transmissions
	if want := 2000 * (1 + 0.25 + 0.0625 + 0.015625); math.Abs(float64(count["transmit"])/want-1) > 0.03 {
		t.Errorf("%d transmissions in 2000 cycles, want about %.0f", count["transmit"], want)
	}
	if want := 2000 * 9.8; math.Abs(float64(count["tick"])/want-1) > 0.02 { // one a second, but for those in the active part
		t.Errorf("%d ticks in 2000 periods of 10 s, want about %.0f", count["tick"], want)
	}
	if n.Cycles() != count["wake"] || n.Boots() != 1 {
		t.Errorf("%d cycles and %d boots", n.Cycles(), n.Boots())
	}
}

// The current of every state is defined at every voltage, falls to nothing at 0 V, and its slope is what differences say.
func TestNodeCurrent(t *testing.T) {
	n := &device.Node{NodeParams: fleet(), Draw: draws}
	n.Step(1e6, 3)
	seen := map[string]bool{}
	for len(seen) < 8 {
		state := n.State().String()
		seen[state] = true
		for v := -1.0; v < 5; v += 0.0137 {
			amps, slope := n.Current(v)
			next, _ := n.Current(v + 1e-7)
			if knee := 0.8 * 1.8; v < knee && v+1e-7 > knee {
				continue
			}
			if math.IsNaN(amps) || v < 0 && amps > 0 || v > 0 && amps < 0 || math.Abs((next-amps)/1e-7-slope) > 1e-5*(1+math.Abs(slope)) {
				t.Fatalf("%s at %g V: %g A, slope %g, difference %g", state, v, amps, slope, (next-amps)/1e-7)
			}
		}
		if amps, _ := n.Current(0); amps != 0 {
			t.Errorf("%s takes %g A at 0 V", state, amps)
		}
		if watts, _ := n.Current(2.5); state == "transmit" && math.Abs(2.5*watts-0.15) > 1e-15 {
			t.Errorf("it transmits with %g W", 2.5*watts)
		}
		n.Step(n.Next(), 3)
	}
}

func TestNodeParameters(t *testing.T) {
	if p := fleet(); p.Validate() != nil {
		t.Fatal(p.Validate())
	}
	for what, spoil := range map[string]func(*device.NodeParams){
		"a negative sleep":     func(p *device.NodeParams) { p.SleepA = -1 },
		"no number":            func(p *device.NodeParams) { p.TransmitW = math.NaN() },
		"a time of centuries":  func(p *device.NodeParams) { p.WakeNs = math.MaxInt64 },
		"no period":            func(p *device.NodeParams) { p.PeriodNs = 0 },
		"too much jitter":      func(p *device.NodeParams) { p.Jitter = 0.9 },
		"ticks without pauses": func(p *device.NodeParams) { p.TickEveryNs = p.TickNs },
		"a restart too low":    func(p *device.NodeParams) { p.RestartV = 1 },
		"a switch of nothing":  func(p *device.NodeParams) { p.RadioF, p.RadioOhm = 1e-6, 0 },
	} {
		p := fleet()
		spoil(&p)
		if err := p.Validate(); !errors.Is(err, device.ErrParameter) {
			t.Errorf("%s: %v", what, err)
		}
	}
}

func ExampleBattery() {
	p, _ := device.Chemistry("lithium-primary")
	b, err := device.NewBattery(p)
	if err != nil {
		fmt.Println(err)
		return
	}
	b.Take(0.04) // 40 mA at once
	fmt.Printf("%.3f V, and after a minute ", b.Volts(0.04))
	b.Aim(60)
	fmt.Printf("%.3f V\n", b.Volts(0.04))
	// Output: 3.230 V, and after a minute 3.218 V
}
