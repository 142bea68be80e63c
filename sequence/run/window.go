package run

import (
	"context"
	"math"
	"time"

	"fourwire/driver"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/sequence"
)

// window is a stretch of a recording whose mean is a reading: a channel that records takes no readings besides.
type window struct {
	rec      *recording
	signal   int
	from, to int64 // samples
	sum      float64
	count    int64
	top      int // largest range in use
	begun    time.Time
}

// take adds the part of a block that lies in the window.
func (w *window) take(in *driver.Samples) {
	from, to := max(w.from, in.Start), min(w.to, in.Start+int64(in.Count))
	if from >= to {
		return
	}
	for _, x := range in.Values[w.signal][from-in.Start : to-in.Start] {
		w.sum += float64(x)
	}
	w.count += to - from
	runs := in.Runs[w.signal]
	for k, run := range runs {
		end := in.Count
		if k+1 < len(runs) {
			end = runs[k+1].At
		}
		if in.Start+int64(end) > from && in.Start+int64(run.At) < to {
			w.top = max(w.top, run.Range)
		}
	}
}

// recorded gives the recording under way, and the signal of it, that a gauge would read; ok is false where the gauge takes readings of its own.
func (r *runner) recorded(g *gaugeState) (rec *recording, signal int, ok bool) {
	rec = r.recordingOf(g.Channel)
	if rec == nil || rec.ended {
		return nil, 0, false
	}
	for k, s := range rec.step.Signals {
		if s.Function == g.Function && s.Node == g.Node {
			return rec, k, true
		}
	}
	return nil, 0, false
}

// openWindow begins a reading that the recording gives.
func (r *runner) openWindow(rec *recording, signal int, aperture time.Duration) *window {
	now := r.clock.Since(rec.started.At)
	w := &window{rec: rec, signal: signal, begun: r.clock.Now()}
	w.from = max(rec.next, int64(math.Ceil(now.Seconds()/rec.every)))
	w.to = w.from + max(1, int64(math.Round(aperture.Seconds()/rec.every)))
	rec.windows = append(rec.windows, w)
	return w
}

// mostWidened is how often a window in which nothing came is moved on.
const mostWidened = 20

// closeWindow waits until the samples of a window are there, and gives its mean as a reading.
func (r *runner) closeWindow(ctx context.Context, w *window) (driver.Reading, error) {
	rec := w.rec
	defer func() {
		for k, other := range rec.windows {
			if other == w {
				rec.windows = append(rec.windows[:k], rec.windows[k+1:]...)
				break
			}
		}
	}()
	for tries := 0; ; tries++ {
		for rec.next < w.to {
			least := int(min(w.to-rec.next, int64(rec.block)))
			if _, err := r.fetch(ctx, rec, max(least, mostFetched), least); err != nil {
				return driver.Reading{}, err
			}
			if err := r.pump(ctx); err != nil {
				return driver.Reading{}, err
			}
			if err := ctx.Err(); err != nil {
				return driver.Reading{}, err
			}
		}
		if w.count > 0 {
			break
		}
		if tries == mostWidened { // all of it fell into a gap
			return driver.Reading{}, r.stop(Bench, "%s: no samples come from %s (%s) any more", rec.name, rec.role.Need.Name, rec.role.Channel)
		}
		w.to += max(1, w.to-w.from)
	}
	return r.windowReading(w), nil
}

func (r *runner) windowReading(w *window) driver.Reading {
	rec := w.rec
	dim := quantity.Voltage
	if rec.step.Signals[w.signal].Function == sequence.Amps {
		dim = quantity.Current
	}
	x := w.sum / float64(w.count)
	spec := rec.started.Ranges[w.signal][w.top]
	out := driver.Reading{RangeFull: spec.Full, Start: w.begun, End: r.clock.Now()}
	if math.IsInf(x, 0) || math.IsNaN(x) {
		out.Overload, x = true, nan
	}
	out.Value = measured.Exact(quantity.Of(x, dim))
	l := r.cfg.Ledger
	if l == nil || out.Overload || len(rec.started.Inputs) <= w.signal || rec.started.Inputs[w.signal][w.top] == "" {
		return out
	}
	out.Inputs = rec.started.Inputs[w.signal][w.top]
	a := spec.Contributions(x, float64(w.count)*rec.every, r.plan.Bench.AmbientKelvin)
	shared := func(what string, kind measured.Kind, part float64) measured.Term {
		return measured.Term{Input: l.Shared(measured.Input{Name: out.Inputs + " " + what, Kind: kind, Shape: measured.Rectangular}), Part: part}
	}
	out.Value = measured.New(quantity.Of(x, dim), shared("gain", measured.Gain, a.Gain), shared("offset", measured.Offset, a.Offset),
		shared("temperature gain", measured.Temperature, a.TemperatureGain), shared("temperature offset", measured.Temperature, a.TemperatureOffset),
		measured.Term{Input: l.Own(measured.Input{Name: out.Inputs + " noise", Kind: measured.Noise}), Part: a.Noise},
		measured.Term{Input: l.Own(measured.Input{Name: out.Inputs + " resolution", Kind: measured.Quantisation}), Part: a.Quantisation / math.Sqrt(float64(w.count))})
	return out
}
