package run

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"fourwire/driver"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/record/trace"
	"fourwire/sequence/plan"
)

// heldAtMost is for how long an answer may be held until its samples are there.
const heldAtMost = 100 * time.Millisecond

// fetchWithin is how long the samples that wait may take to come.
const fetchWithin = 10 * time.Second

// fetch takes samples that wait, with least above 0 until so many are there, and keeps them.
func (r *runner) fetch(ctx context.Context, rec *recording, most, least int) (count int, err error) {
	// an answer that is under way is waited for even where the run is interrupted: its samples would be lost
	within, cancel := r.clock.WithTimeout(context.WithoutCancel(ctx), fetchWithin+seconds(float64(least)*rec.every))
	defer cancel()
	for tries := 0; ; tries++ {
		err := rec.rec.Fetch(within, most, least, &rec.in)
		if err == nil {
			break
		}
		if tries == mostUnreadable || !errors.Is(err, driver.ErrSamples) {
			return 0, r.of(rec.role, err)
		}
		// what was in the block is gone, and shows as a gap; what comes after it need not be lost with it
		r.note("note", "warn", fmt.Sprintf("%s: %v", rec.name, r.of(rec.role, err)))
	}
	rec.fetched = r.clock.Now()
	in := &rec.in
	if in.Count == 0 {
		return 0, nil
	}
	if err := r.keepBlock(rec); err != nil {
		return 0, err
	}
	rec.next = in.Start + int64(in.Count)
	r.progress(rec)
	return in.Count, nil
}

// mostUnreadable is how many blocks one after the other may be unreadable.
const mostUnreadable = 3

// keepBlock appends what was fetched to the trace, and holds it against the guard.
func (r *runner) keepBlock(rec *recording) error {
	in, out := &rec.in, &rec.out
	if len(in.Values) != len(rec.step.Signals) || len(in.Runs) != len(in.Values) {
		return r.stop(Fault, "%d signals are recorded, and %d came", len(rec.step.Signals), len(in.Values))
	}
	out.Start, out.Count = in.Start, in.Count
	head := rec.writer.Head()
	for k := range in.Values {
		out.Values[k] = in.Values[k]
		out.Runs[k] = out.Runs[k][:0]
		for n, run := range in.Runs[k] {
			out.Runs[k] = append(out.Runs[k], trace.Run{At: run.At, Range: uint8(run.Range)})
			if k == 0 {
				end := in.Count
				if n+1 < len(in.Runs[k]) {
					end = in.Runs[k][n+1].At
				}
				count := float64(end - run.At)
				rec.perStep += count * head.Signals[0].Ranges[run.Range].Step * roundingSteps * rec.every
				rec.noise += count * rec.variances[run.Range]
			}
		}
	}
	if err := rec.writer.Append(out); err != nil {
		return r.stop(Bench, "%s: %w", rec.name, err)
	}
	for _, w := range rec.windows {
		w.take(in)
	}
	return r.guardBlock(rec)
}

// roundingSteps is by how many steps of its range a sample may be off in the trace: half a step of rounding to counts, and at most
// 2^-24 of full scale, which is 0.6 steps where full scale is 10^7 of them, of rounding to 32 bits.
const roundingSteps = 1.1

// guardBlock holds every sample of a block against the guard of its node.
func (r *runner) guardBlock(rec *recording) error {
	in := &rec.in
	for k, guard := range rec.guards {
		if !guard.Set {
			continue
		}
		low, high := float32(guard.Low), float32(guard.High)
		for n, x := range in.Values[k][:in.Count] {
			if x < low || x > high {
				if guard.Holds(float64(x)) {
					continue // the rounding of the guard
				}
				s := rec.step.Signals[k]
				if math.IsInf(float64(x), 0) {
					return r.beyond(s.Node, "%s(%s) was beyond the largest range of %s at %s of %s; its guard is %s", s.Function, s.Node,
						rec.role.Channel, spanText(float64(in.Start+int64(n))*rec.every), rec.name, guard)
				}
				return r.beyond(s.Node, "%s(%s) was %s at %s of %s, which is outside its guard, %s", s.Function, s.Node,
					quantity.Of(float64(x), guard.Dim).Text(4), spanText(float64(in.Start+int64(n))*rec.every), rec.name, guard)
			}
		}
	}
	if !rec.watts.Set || len(in.Values) < 2 {
		return nil
	}
	for n, amps := range in.Values[0][:in.Count] {
		if watts := float64(amps) * float64(in.Values[1][n]); watts < rec.watts.Low || watts > rec.watts.High {
			return r.beyond(rec.role.Need.Node, "%s at %s at %s of %s is outside its guard, %s", quantity.Watt(watts), rec.role.Need.Node,
				spanText(float64(in.Start+int64(n))*rec.every), rec.name, rec.watts)
		}
	}
	return nil
}

// recordingAt gives what is being recorded at a node; nil: nothing.
func (r *runner) recordingAt(node string) *recording {
	for _, rec := range r.recs {
		if rec.role.Need.Node == node {
			return rec
		}
	}
	return nil
}

// recordingOf gives what a channel records; nil: nothing.
func (r *runner) recordingOf(ch plan.Channel) *recording {
	for _, rec := range r.recs {
		if rec.role.Channel == ch {
			return rec
		}
	}
	return nil
}

// pump takes what waits of every recording for which it is time: before its block is over nothing is asked for.
func (r *runner) pump(ctx context.Context) error {
	for _, rec := range r.recs {
		if r.clock.Since(rec.fetched) < rec.span {
			continue
		}
		if err := r.pumpNow(ctx, rec); err != nil {
			return err
		}
	}
	return nil
}

// pumpNow takes everything that waits of a recording.
func (r *runner) pumpNow(ctx context.Context, rec *recording) error {
	for {
		most := max(rec.block, mostFetched)
		n, err := r.fetch(ctx, rec, most, 0)
		if err != nil {
			return err
		}
		if n < most {
			return r.lookAfter(ctx)
		}
	}
}

// sleep waits; recordings go on meanwhile.
func (r *runner) sleep(ctx context.Context, d time.Duration) error {
	defer r.cfg.Spans.Enter(ledger.FixedWait, "").Leave()
	if len(r.recs) == 0 && len(r.up) == 0 {
		return r.clock.Sleep(ctx, d)
	}
	end := r.clock.Now().Add(d)
	for {
		left := end.Sub(r.clock.Now())
		if left <= 0 {
			return r.pump(ctx)
		}
		for _, rec := range r.recs {
			left = min(left, rec.span)
		}
		if look, ok := r.untilLook(); ok {
			left = min(left, look)
		}
		if err := r.clock.Sleep(ctx, left); err != nil {
			return err
		}
		if err := r.lookAtRails(ctx); err != nil {
			return err
		}
		if err := r.pump(ctx); err != nil {
			return err
		}
	}
}

// lookAfter looks, from time to time, whether the outputs are as they were left.
func (r *runner) lookAfter(ctx context.Context) error {
	if r.clock.Since(r.looked) < lookEvery {
		return nil
	}
	r.looked = r.clock.Now()
	for i := range r.roles {
		role := &r.roles[i]
		if role.feed == nil && role.sink == nil || !r.state[i].On {
			continue
		}
		st, err := r.inspect(ctx, i)
		if err != nil {
			return r.of(role, err)
		}
		if len(st.Tripped) > 0 {
			r.state[i].On = false
			return r.tripped(role, st.Tripped)
		}
		if !st.On {
			r.state[i].On = false
			return r.stop(Bench, "%s (%s) %w, and nothing tripped: an interlock, or somebody at its front panel", role.Need.Name, role.Channel, errWentOff)
		}
	}
	return nil
}

// progress tells whoever watches how far a recording is.
func (r *runner) progress(rec *recording) {
	now := r.clock.Now()
	gap := time.Second
	if rec.expected > 0 {
		gap = max(gap, time.Duration(float64(rec.expected)*rec.every/progressParts*float64(time.Second)))
	}
	if now.Sub(rec.told) < gap {
		return
	}
	rec.told = now
	at := float64(rec.next) * rec.every
	text := fmt.Sprintf("%s: %s", rec.name, spanText(at))
	if rec.expected > 0 {
		text += " of " + spanText(float64(rec.expected)*rec.every)
	}
	text += fmt.Sprintf(", %d samples", rec.writer.Received())
	if charge := rec.writer.Integral(0); rec.writer.Received() > 0 {
		text += fmt.Sprintf(", mean %s, %s", quantity.Amp(charge/(float64(rec.writer.Received())*rec.every)), quantity.Of(charge, quantity.Charge).Text(4))
	}
	part := 0.0
	if rec.expected > 0 {
		part = math.Min(1, float64(rec.next)/float64(rec.expected))
	}
	r.tell(Event{Kind: "recording", Text: text, Part: part})
}

// progressParts is into how many parts the progress of a recording is divided.
const progressParts = 200
