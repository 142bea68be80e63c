package guardian

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"fourwire/driver"
)

const (
	turnWithin      = 150 * time.Millisecond // a load that does not answer does not keep the source on for longer
	reportAfter     = 3 * time.Second        // what is not off by then is reported as such, and tried further
	dischargeWithin = 5 * time.Second
	meterWithin     = 3 * time.Second
	stayEvery       = 250 * time.Millisecond // between looks while the run is still there
)

// takeOver makes the bench safe and stays until the run is gone.
func (g *guard) takeOver(ctx context.Context, why string) error {
	ctx = context.WithoutCancel(ctx)
	t := &taking{guard: g, begun: g.clock.Now(), changed: make(chan struct{}, 1), report: Report{Why: why}}
	g.say("relieved " + why)
	g.note("error", "the guardian takes the bench over: "+why, nil)
	for _, h := range g.hands {
		if h.Turn != Never && !h.connected() {
			t.end() // before anything else, so that the load is reached before the source is switched off
		}
	}
	t.turn(ctx, First)
	t.turn(ctx, Second)
	t.await(ctx, reportAfter)
	t.discharge(ctx)
	t.look(ctx)
	report := t.result()
	line, err := json.Marshal(report)
	if err != nil {
		return err
	}
	level := "info"
	if !report.Safe() {
		level = "error"
	}
	g.note(level, "the guardian has made the bench safe: "+report.Text(), map[string]any{"report": report})
	g.say("safe " + string(line))
	for !g.over() {
		if err := g.clock.Sleep(ctx, stayEvery); err != nil {
			return err
		}
		t.look(ctx)
	}
	t.await(ctx, tryFor)
	if t.look(ctx); !t.result().Safe() {
		return ErrNotSafe
	}
	return nil
}

// over tells whether the run is gone, or has said that it ends.
func (g *guard) over() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.gone || g.ended
}

// alive tells whether the run still has its connections and will not give them up by itself.
func (g *guard) alive() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return !g.gone && !g.ended && g.relieve == ""
}

// taking is a takeover under way.
type taking struct {
	guard     *guard
	begun     time.Time
	endRunner sync.Once
	changed   chan struct{} // told when a hand has done

	mu      sync.Mutex // guards what follows
	report  Report
	pending int // hands that are still at it
}

func (t *taking) since() time.Duration { return t.guard.clock.Since(t.begun) }

// turn starts to switch off the instruments of one turn, and waits for them for a while.
func (t *taking) turn(ctx context.Context, turn Turn) {
	for _, h := range t.guard.hands {
		if h.Turn != turn {
			continue
		}
		t.mu.Lock()
		at := len(t.report.Switched)
		t.report.Switched = append(t.report.Switched, SwitchedOff{Instrument: h.Name, Problem: "not reached yet"})
		t.pending++
		t.mu.Unlock()
		go func() {
			err := t.off(ctx, h)
			t.mu.Lock()
			defer t.mu.Unlock()
			t.pending--
			offer(t.changed, struct{}{})
			s := &t.report.Switched[at]
			s.Off, s.Seconds, s.Problem = err == nil, t.since().Seconds(), ""
			if err != nil {
				s.Problem = err.Error()
			}
		}()
	}
	t.await(ctx, turnWithin)
}

// await waits for the hands that are at it.
func (t *taking) await(ctx context.Context, longest time.Duration) {
	ctx, cancel := t.guard.clock.WithTimeout(ctx, longest)
	defer cancel()
	for {
		t.mu.Lock()
		pending := t.pending
		t.mu.Unlock()
		if pending == 0 {
			return
		}
		select {
		case <-t.changed:
		case <-ctx.Done():
			return
		}
	}
}

// off switches one instrument off and verifies it, by whatever connection it gets, for as long as it takes.
func (t *taking) off(ctx context.Context, h *hand) error {
	h.busy.Lock()
	defer h.busy.Unlock()
	g := t.guard
	complained := false
	begun := g.clock.Now()
	for within := firstTry; ; within = laterTry {
		err := h.try(ctx, within)
		if err == nil {
			g.note("info", h.Name+" off, verified", map[string]any{"after_s": t.since().Seconds()})
			return nil
		}
		h.close()
		gone := g.clock.Since(begun)
		switch {
		case gone > tryFor:
			return err
		case gone > endRunnerAt:
			t.end()
		}
		if gone > complainAt && !complained {
			complained = true
			g.note("error", fmt.Sprintf("%s may still be on and cannot be switched off yet: %v; trying further. Switch it off at its front panel", h.Name, err), nil)
		}
		pause := retrySoon
		if gone > time.Second {
			pause = retryLater
		}
		if err := g.clock.Sleep(ctx, pause); err != nil {
			return err
		}
	}
}

// end ends a run that stands still but has a connection that is needed.
func (t *taking) end() {
	g := t.guard
	if g.config.EndRunner == nil || g.orders.Runner == 0 || !g.alive() {
		return
	}
	t.endRunner.Do(func() {
		text := "the run that stands still is ended: an instrument takes no connection beside its own"
		if err := g.config.EndRunner(g.orders.Runner); err != nil {
			text = fmt.Sprintf("the run that stands still cannot be ended: %v", err)
		}
		g.note("warn", text, nil)
	})
}

// try switches off once. The caller holds busy.
func (h *hand) try(ctx context.Context, within time.Duration) error {
	if h.in == nil {
		if err := h.open(ctx, againWithin); err != nil {
			return err
		}
	}
	ctx, cancel := h.guard.clock.WithTimeout(ctx, within)
	defer cancel()
	return h.in.TakeOver(ctx)
}

// look looks whether everything that was switched off still is: a message of the run may have been under way.
func (t *taking) look(ctx context.Context) {
	g := t.guard
	g.each(func(h *hand) {
		if h.Turn == Never || !h.busy.TryLock() { // a hand that is busy is still switching off
			return
		}
		defer h.busy.Unlock()
		ctx, cancel := g.clock.WithTimeout(ctx, laterTry)
		defer cancel()
		if h.in == nil && h.open(ctx, againWithin) != nil {
			return
		}
		on, err := h.in.AnyOn(ctx)
		if err != nil {
			h.close()
			return
		}
		if on {
			text := h.Name + " was on again, and is switched off again"
			if err := h.in.TakeOver(ctx); err != nil {
				text = fmt.Sprintf("%s is on again, and cannot be switched off: %v", h.Name, err)
				t.isOn(h.Name, err)
			}
			g.note("error", text, nil)
		}
	})
}

func (t *taking) isOn(name string, err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i := range t.report.Switched {
		if s := &t.report.Switched[i]; s.Instrument == name {
			s.Off, s.Problem = false, err.Error()
		}
	}
}

// result is the report so far.
func (t *taking) result() Report {
	t.mu.Lock()
	defer t.mu.Unlock()
	r := t.report
	r.Switched = append([]SwitchedOff(nil), r.Switched...)
	return r
}

// discharge watches the nodes until they are discharged, or says what is left there.
func (t *taking) discharge(ctx context.Context) {
	nodes := make([]NodeLeft, len(t.guard.orders.Nodes))
	var all sync.WaitGroup
	for i, n := range t.guard.orders.Nodes {
		if slices.ContainsFunc(t.guard.orders.Nodes[:i], func(o Node) bool { return o.Instrument == n.Instrument }) {
			continue // seen to by the goroutine of the first: an instrument reads one after the other
		}
		all.Go(func() {
			for k := i; k < len(nodes); k++ {
				if o := t.guard.orders.Nodes[k]; o.Instrument == n.Instrument {
					nodes[k] = t.remains(ctx, o)
				}
			}
		})
	}
	all.Wait()
	t.mu.Lock()
	t.report.Nodes = nodes
	t.mu.Unlock()
}

// remains watches one node and tells what is left there.
func (t *taking) remains(ctx context.Context, n Node) NodeLeft {
	left := t.watch(ctx, n)
	out := NodeLeft{Node: n.Node, Discharged: left.Discharged, Text: left.String()}
	level := "info"
	if !math.IsNaN(left.Volts) {
		out.Volts = &left.Volts
	}
	if !left.Discharged {
		level = "warn"
	}
	t.guard.note(level, n.Node+": "+out.Text, map[string]any{"node": n.Node, "volts": out.Volts, "discharged": left.Discharged, "left_s": left.Left.Seconds()})
	return out
}

func (t *taking) watch(ctx context.Context, n Node) driver.Remains {
	g := t.guard
	for _, h := range g.hands {
		if h.Name != n.Instrument {
			continue
		}
		if !h.busy.TryLock() {
			return driver.Remains{Volts: math.NaN(), Err: fmt.Errorf("%s, which reads it, is still being switched off", h.Name)}
		}
		defer h.busy.Unlock()
		begun := g.clock.Now()
		for {
			err := h.try(ctx, laterTry) // stops what the meter does for the run
			if err == nil {
				break
			}
			h.close()
			if g.clock.Since(begun) > meterWithin || g.clock.Sleep(ctx, retrySoon) != nil {
				return driver.Remains{Volts: math.NaN(), Err: err}
			}
		}
		meter, err := h.in.Meter(n.Channel)
		if err != nil {
			return driver.Remains{Volts: math.NaN(), Err: err}
		}
		expect := n.MostVolts
		if expect == 0 {
			expect = math.NaN()
		}
		ctx, cancel := g.clock.WithTimeout(ctx, dischargeWithin+meterWithin)
		defer cancel()
		return driver.Discharge{Safe: n.Safe, Within: dischargeWithin, Aperture: discharging, Expect: expect, Clock: g.clock}.Watch(ctx, meter)
	}
	return driver.Remains{Volts: math.NaN(), Err: errors.New("nothing reads its voltage")}
}

// discharging is the aperture of a look at a node: one cycle of a 50 Hz mains; common practice.
const discharging = 20 * time.Millisecond
