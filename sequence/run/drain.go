package run

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"time"

	"fourwire/analysis/drain"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/sequence"
)

// drained is what was found in a trace, kept for comparisons and for the life of a battery.
type drained struct {
	result *drain.Result
	kept   *record.Drain
	mean   measured.Value // with what the length of the recording leaves open
	lowest float64        // V; NaN: no voltage was recorded
}

// drain looks through a trace, keeps what it finds, and gives values.
func (r *runner) drain(ctx context.Context, s *sequence.Drain) error {
	name := r.traces[s.Trace]
	if name == "" {
		return r.stop(Input, "the trace %s was not recorded in this run", s.Trace)
	}
	d, err := r.analyse(ctx, s, name)
	if err != nil {
		return err
	}
	var change measured.Value
	if s.Against != "" {
		if change, err = r.against(ctx, s, d); err != nil {
			return err
		}
	}
	if err := r.saveDrain(d); err != nil {
		return err
	}
	r.drains[name] = d
	for _, g := range s.Gives {
		if g.What == "mean" {
			r.meanOf[g.Name] = name
		}
	}
	r.tellDrain(name, d)
	return r.give(s.Gives, func(what string) measured.Value {
		if what == "change" {
			return change
		}
		return d.value(what)
	}, "of "+name)
}

// give keeps what a step gives under the names that it gives them.
func (r *runner) give(gives []sequence.Given, value func(what string) measured.Value, of string) error {
	w := r.open()
	if w == nil {
		return nil
	}
	r.begin(w)
	for _, g := range gives {
		v := value(g.What)
		r.keep(g.Name, v)
		w.cells[g.Name] = r.cell(v)
		if math.IsNaN(v.X) {
			r.note("note", "warn", fmt.Sprintf("%s has no value: there is no %s %s", g.Name, g.What, of))
		}
	}
	return nil
}

// analyse looks through a trace of this run.
func (r *runner) analyse(ctx context.Context, s *sequence.Drain, name string) (*drained, error) {
	if r.keeper == nil {
		return nil, r.stop(Fault, "the run was given no record to look for traces in")
	}
	t, err := trace.Open(filepath.Join(r.keeper.Dir(), record.TracesFolder), name)
	if err != nil {
		return nil, r.stop(Bench, "%w", err)
	}
	defer t.Close()
	head := t.Head()
	amps := t.Signal(s.Signal)
	if amps < 0 {
		return nil, r.stop(Fault, "the trace %s has no signal %s", name, s.Signal)
	}
	signals := []int{amps}
	o := drain.Options{IntervalSeconds: head.IntervalSeconds, NominalVolts: s.Fixed.SI, Ranges: errorsOf(head.Signals[amps]), Ledger: r.cfg.Ledger}
	if v := t.Signal(s.Volts); s.Volts != "" && v >= 0 {
		signals = append(signals, v)
		if ranges := errorsOf(head.Signals[v]); len(ranges) > 0 {
			o.Volts = &ranges[len(ranges)-1]
		}
	}
	for _, state := range s.States {
		o.States = append(o.States, drain.Named{Name: state.Name, From: state.Amps.Low, To: state.Amps.High})
	}
	from, to := int64(math.Round(s.From.SI/head.IntervalSeconds)), t.Len()
	if asked := r.lengths[name]; asked > 0 {
		to = min(to, asked) // not what came while the stop was on its way
	}
	if s.To.SI > 0 {
		to = min(to, int64(math.Round(s.To.SI/head.IntervalSeconds)))
	}
	if from >= to {
		return nil, r.stop(Input, "the trace %s is %s long: nothing of it lies behind %s", name, spanText(float64(t.Len())*head.IntervalSeconds), s.From)
	}
	if r.cfg.Busy != nil {
		r.cfg.Busy(leastAnalysis + time.Duration(to-from)*analysisPerSample)
	}
	lowest := math.Inf(1)
	result, err := drain.Analyse(blocksOf(ctx, t, signals, from, to, &lowest), o)
	if err != nil {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		return nil, r.stop(Bench, "%s cannot be looked through: %w", name, err)
	}
	if math.IsInf(lowest, 1) {
		lowest = nan
	}
	d := &drained{result: result, kept: DrainOf(name, s.Signal, result), mean: result.Mean, lowest: lowest}
	d.kept.FromSeconds, d.kept.ToSeconds = float64(from)*head.IntervalSeconds, float64(to)*head.IntervalSeconds
	if d.kept.Volts = s.Volts; s.Volts == "" && s.Fixed.SI > 0 {
		d.kept.Volts = s.Fixed.String()
	}
	shift(d.kept, d.kept.FromSeconds, from)
	r.lengthOf(name, d)
	return d, nil
}

// How long an analysis may take: generous, since the guardian is told that nothing is heard of the run for so long.
const (
	leastAnalysis     = 30 * time.Second
	analysisPerSample = 200 * time.Nanosecond
)

// lengthOf adds to the mean what the length of the recording leaves open.
func (r *runner) lengthOf(name string, d *drained) {
	st := d.result.Statistics
	d.kept.Mean = estimate(d.mean, r.cfg.Ledger)
	if !(st.Mean > 0) {
		return
	}
	if r.cfg.Ledger != nil {
		d.mean = r.plus(d.mean, r.cfg.Ledger.Own(measured.Input{Name: name + lengthOfOne, Kind: measured.Noise}), st.Mean)
		d.kept.Mean = estimate(d.mean, r.cfg.Ledger)
	}
	text := fmt.Sprintf("the length of the recording alone leaves the mean open by %s (k = 2; %s)", quantity.Amp(2*st.Mean), st.Method)
	if st.OnePerCent > 0 {
		text += fmt.Sprintf("; 1 %% would take %s", spanText(st.OnePerCent))
	}
	d.kept.Notes = append(d.kept.Notes, text)
}

// errorsOf is what the ranges of a signal leave uncertain.
func errorsOf(s trace.Signal) []drain.RangeError {
	var out []drain.RangeError
	for _, one := range s.Ranges {
		out = append(out, drain.RangeError{Name: one.Inputs, Full: one.Full, Step: one.Step, Gain: one.Gain, Offset: one.Offset})
	}
	return out
}

// blocksOf makes the blocks of a trace those of an analysis; lowest takes the lowest voltage.
func blocksOf(ctx context.Context, t *trace.Trace, signals []int, from, to int64, lowest *float64) drain.Blocks {
	return func(yield func(*drain.Block, error) bool) {
		var b drain.Block
		for s, err := range t.Blocks(signals, from, to) {
			if err == nil {
				err = ctx.Err()
			}
			if err != nil {
				yield(nil, err)
				return
			}
			b.Start, b.Amps, b.Runs = s.Start-from, s.Values[0][:s.Count], b.Runs[:0]
			for _, run := range s.Runs[0] {
				b.Runs = append(b.Runs, drain.Run{At: run.At, Range: run.Range})
			}
			if len(s.Values) > 1 {
				b.Volts = s.Values[1][:s.Count]
				low := float32(math.Inf(1))
				for _, x := range b.Volts {
					if x < low {
						low = x
					}
				}
				*lowest = math.Min(*lowest, float64(low))
			}
			if !yield(&b, nil) {
				return
			}
		}
	}
}

// value is one of the results of a drain step; NaN where there is none.
func (d *drained) value(what string) measured.Value {
	res := d.result
	exact := func(x float64, dim quantity.Dimension) measured.Value { return measured.Exact(quantity.Of(x, dim)) }
	var kind *drain.Kind // the one that takes most of the charge
	for i := range res.Kinds {
		if kind == nil || res.Kinds[i].Charge.X > kind.Charge.X {
			kind = &res.Kinds[i]
		}
	}
	switch what {
	case "mean":
		return d.mean
	case "charge":
		return res.Charge
	case "energy":
		return res.Energy
	case "rms":
		return res.RMS
	case "peak":
		return res.Peak
	case "lowest":
		return exact(d.lowest, quantity.Voltage)
	case "time":
		return exact(res.Seconds, quantity.Time)
	case "events":
		return exact(float64(len(res.Events)+res.More), quantity.Ratio)
	case "event_charge":
		if kind != nil {
			return kind.MeanCharge
		}
		return exact(nan, quantity.Charge)
	case "event_time":
		if kind != nil {
			return exact(kind.MeanSeconds, quantity.Time)
		}
		return exact(nan, quantity.Time)
	case "period":
		if kind != nil {
			return exact(kind.PeriodSeconds, quantity.Time)
		}
		return exact(nan, quantity.Time)
	case "sleep":
		if len(res.States) > 0 && res.States[0].Seconds > 0 {
			return measured.Map(res.States[0].Charge.X/res.States[0].Seconds, quantity.Current, res.States[0].Charge, 1/res.States[0].Seconds)
		}
		return exact(nan, quantity.Current)
	case "sleep_charge":
		if len(res.States) > 0 {
			return measured.Div(res.States[0].Charge, res.Charge)
		}
		return exact(nan, quantity.Ratio)
	case "sleep_time":
		if len(res.States) > 0 {
			return exact(res.States[0].TimeShare, quantity.Ratio)
		}
		return exact(nan, quantity.Ratio)
	case "inrush":
		if res.Inrush != nil {
			return exact(res.Inrush.PeakAmps, quantity.Current)
		}
		return exact(nan, quantity.Current)
	case "inrush_charge":
		if res.Inrush != nil {
			return exact(res.Inrush.Coulombs, quantity.Charge)
		}
		return exact(nan, quantity.Charge)
	}
	return exact(nan, quantity.Ratio)
}
