package run

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/sequence"
)

// assemble puts the samples of all channels on one time axis.
func (r *runner) assemble(c *capturing, w *row) error {
	c.signals = make([]capturedSignal, len(c.step.Signals))
	for i := range c.parts {
		p := &c.parts[i]
		if i == 0 {
			c.every, c.before = p.armed.IntervalSeconds, p.armed.Before
		}
		if math.Abs(p.armed.IntervalSeconds-c.every) > 1e-6*c.every || p.armed.Before != c.before {
			return r.stop(Bench, "%s samples every %s and %s every %s: they share no time axis; ask for an interval that both take", c.parts[0].Channel, quantity.Second(c.every),
				p.Channel, quantity.Second(p.armed.IntervalSeconds))
		}
		if len(p.samples.Values) != len(p.Signals) || len(p.armed.Ranges) != len(p.Signals) {
			return r.stop(Fault, "%d signals of %s are captured, and %d came", len(p.Signals), p.Channel, len(p.samples.Values))
		}
		for k, signal := range p.Signals {
			one := capturedSignal{Signal: c.step.Signals[signal], samples: p.samples.Values[k], part: i, spec: p.armed.Ranges[k], through: -1}
			if k < len(p.armed.Inputs) {
				one.inputs = p.armed.Inputs[k]
			}
			if over := overloads(one.samples); over > 0 {
				w.invalid("%s of %s overflows the %s range of %s, %d samples", one.Name, c.name, quantity.Of(one.spec.Full, one.Function.Dim()), p.Channel, over)
			}
			one.step = resolutionOf(one.samples)
			c.signals[signal] = one
		}
	}
	for i := range c.parts {
		r.atTheNode(c, i)
	}
	return nil
}

func overloads(samples []float32) (count int) {
	for _, x := range samples {
		if x != x || x > math.MaxFloat32 || x < -math.MaxFloat32 {
			count++
		}
	}
	return count
}

// resolutionOf is the step of the converter, as the samples show it: the smallest distance between two values, where all others are multiples of it. 0: they
// show none.
func resolutionOf(samples []float32) float64 {
	values := slices.Clone(samples)
	slices.Sort(values)
	values = slices.Compact(values)
	if len(values) < 3 || len(values) > len(samples)/2 {
		return 0
	}
	largest := math.Max(math.Abs(float64(values[0])), math.Abs(float64(values[len(values)-1])))
	rounding := largest / (1 << 23)
	least := math.Inf(1)
	for i := 1; i < len(values); i++ {
		if d := float64(values[i]) - float64(values[i-1]); d < least {
			least = d
		}
	}
	if !(least > 8*rounding) {
		return 0
	}
	for i := 1; i < len(values); i++ {
		d := float64(values[i]) - float64(values[i-1])
		if n := math.Round(d / least); math.Abs(d-n*least) > n*2*rounding+2*rounding {
			return 0
		}
	}
	return least
}

// atTheNode takes off, sample by sample, what leads and ammeters between the node and the terminals drop, where the current was sampled with the voltage.
func (r *runner) atTheNode(c *capturing, part int) {
	p := &c.parts[part]
	v, i := c.asked.Reads(part, sequence.Volts), c.asked.Reads(part, sequence.Amps)
	if v < 0 || i < 0 || p.LeadOhm == 0 && len(p.InLine) == 0 {
		return
	}
	burden := 0.0
	for _, m := range p.InLine {
		burden += r.resistance(m)
	}
	one := &c.signals[v]
	one.sign = -r.delivers(one.Node)
	one.ohm, one.ohmU, one.through = p.LeadOhm+burden, math.Hypot(p.LeadOhm*p.LeadTolerance, burden*burdenTolerance), i
	if one.ohm == 0 || one.sign == 0 {
		one.ohm = 0
		return
	}
	drop := float32(one.sign * one.ohm)
	for k, amps := range c.signals[i].samples {
		one.samples[k] += drop * amps
	}
}

// insideGuard holds every sample against the guard of its node.
func (r *runner) insideGuard(c *capturing) error {
	for k := range c.signals {
		s := &c.signals[k]
		window, ok := r.plan.Guard(s.Node)
		if !ok {
			continue
		}
		guard := window.Volts
		if s.Function == sequence.Amps {
			guard = window.Amps
		}
		if n := outside(s.samples, guard); n >= 0 {
			return r.beyond(s.Node, "%s was %s at %s of %s, which is outside its guard, %s", s.Measurement(), quantity.Of(float64(s.samples[n]), guard.Dim).Text(4),
				quantity.Second(c.at(n)), c.name, guard)
		}
		if s.Function != sequence.Volts || !window.Watts.Set {
			continue
		}
		if i := c.asked.Reads(s.part, sequence.Amps); i >= 0 {
			for n, v := range s.samples {
				if watts := float64(v) * float64(c.signals[i].samples[n]); watts > window.Watts.High || watts < window.Watts.Low {
					return r.beyond(s.Node, "%s at %s at %s of %s is outside its guard, %s", quantity.Watt(watts), s.Node, quantity.Second(c.at(n)), c.name, window.Watts)
				}
			}
		}
	}
	return nil
}

// outside finds the first sample outside a span; -1: there is none. A sample without a value is none.
func outside(samples []float32, span quantity.Span) int {
	if !span.Set {
		return -1
	}
	low, high := float32(span.Low), float32(span.High)
	for n, x := range samples {
		if (x < low || x > high) && !span.Holds(float64(x)) {
			return n
		}
	}
	return -1
}

// at is the time of a sample from the event.
func (c *captured) at(n int) float64 { return float64(n-c.before) * c.every }

// keepCapture writes the trace, and how it was taken.
func (r *runner) keepCapture(c *capturing) error {
	points := len(c.signals[0].samples)
	at, _ := c.when().middle()
	head := trace.Head{Name: c.name, Start: at.Add(-seconds(float64(c.before) * c.every)), IntervalSeconds: c.every, Trigger: int64(c.before)}
	block := trace.Samples{Count: points}
	for k := range c.signals {
		s := &c.signals[k]
		gain, offset := r.longMean(s.spec)
		one := trace.Range{Full: s.spec.Full, Inputs: s.inputs, Gain: gain, Offset: offset}
		head.Signals = append(head.Signals, trace.Signal{Name: s.Name, Unit: s.Function.Dim().Unit(), Node: s.Measurement(), From: c.parts[s.part].Channel.String(), Ranges: []trace.Range{one}})
		block.Values = append(block.Values, s.samples)
		block.Runs = append(block.Runs, []trace.Run{{}})
	}
	writer, err := r.keeper.Trace(head)
	if err != nil {
		return r.stop(Bench, "%s: %w", c.name, err)
	}
	if err := writer.Append(&block); err != nil {
		return r.stop(Bench, "%s: %w", c.name, err)
	}
	st := trace.Statement{Expected: int64(points), CoulombsReceived: nan, CoulombsCounted: nan}
	if st.Complete = writer.Lost() == 0; !st.Complete {
		st.Why = []string{fmt.Sprintf("%d samples overflow their range", writer.Lost())}
	}
	if err := r.keeper.FinishTrace(writer, st); err != nil {
		return r.stop(Bench, "%s: %w", c.name, err)
	}
	var limits []string
	for i := range c.parts {
		p := &c.parts[i]
		if p.armed.BandwidthHertz > 0 {
			limits = append(limits, fmt.Sprintf("%s %s", p.Channel, quantity.Of(p.armed.BandwidthHertz, quantity.Frequency)))
		}
	}
	text := fmt.Sprintf("%s: %d samples of %d signals, one every %s, %d before the event (%s)", c.name, points, len(c.signals), quantity.Second(c.every), c.before, c.step.Trigger.Text)
	if len(limits) > 0 {
		text += "; bandwidth " + strings.Join(limits, ", ")
	}
	r.note("captured", level(st.Complete), text, "step", strconv.Itoa(r.ordinal), "trace", c.name, "complete", strconv.FormatBool(st.Complete))
	return r.saveCapture(c.captured)
}

// saveCapture writes what is known of a capture; each step that looks at it adds to that.
func (r *runner) saveCapture(c *captured) error {
	data, err := json.MarshalIndent(c.kept, "", " ")
	if err != nil {
		return r.stop(Fault, "%s cannot be written: %w", c.name, err)
	}
	if err := r.keeper.Put(record.AnalysisFolder+"/"+c.name+".capture.json", append(data, '\n')); err != nil {
		return r.stop(Bench, "%w", err)
	}
	return nil
}

// keptCapture is how a capture was taken, for the record.
func (r *runner) keptCapture(c *capturing) *record.Capture {
	out := &record.Capture{Trace: c.name, Trigger: c.step.Trigger.Text, How: c.asked.How, Where: r.where(), Skew: c.skew, Apart: c.asked.Apart, Missed: c.missed,
		Signals: []record.CapturedSignal{}, Figures: []record.Figures{}}
	if len(c.parts) == 1 {
		out.Skew = 0
	}
	if c.missed != "" {
		return out
	}
	at, half := c.when().middle()
	out.At, out.AtU = at.Format(time.RFC3339Nano), half.Seconds()
	for k := range c.signals {
		s := &c.signals[k]
		p := &c.parts[s.part]
		one := record.CapturedSignal{Name: s.Name, Unit: s.Function.Dim().Unit(), Node: s.Measurement(), From: p.Channel.String(), Bandwidth: orNaN(p.armed.BandwidthHertz),
			Skew: orNaN(p.armed.SkewSeconds), Range: s.spec.Full, Step: orNaN(s.step), LeadOhm: s.ohm, Corrected: s.ohm > 0}
		if one.LeadOhm == 0 && s.Function == sequence.Volts {
			one.LeadOhm = p.LeadOhm
		}
		out.Signals = append(out.Signals, one)
	}
	return out
}
