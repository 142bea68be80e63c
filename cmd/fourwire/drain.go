package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"fourwire/analysis/drain"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/record/trace"
	"fourwire/sequence/run"
)

// drainFlags are what drain is asked for.
type drainFlags struct {
	from, to, signal, volts, against, events string
	states                                   []string
}

func (a *app) drainCommand() *cobra.Command {
	var f drainFlags
	cmd := &cobra.Command{
		Use:   "drain RECORD TRACE",
		Short: "Say where the charge of a recorded current went",
		Long: `Looks through a recorded current for the floor the device sleeps at, its events and the states within them, and says what each takes of
time and charge, how thresholds were found, and how far the figures can be relied on. No threshold is asked for. The record stays as it is.

With --against another recording, of an older firmware say, it says by state and by kind of event what has changed, and whether the change is
larger than its uncertainty; what the instrument does not know cancels as far as both recordings share it.

Exit status: 0 done, 3 the input is wrong: no such record, trace, signal or span.`,
		Example: `  fourwire drain records/unit-7 day
  fourwire drain records/unit-7 day --from 3h --to 4h --states sleep,sample,radio
  fourwire drain records/new day --against records/old:day`,
		Args: cobra.ExactArgs(2),
		RunE: func(_ *cobra.Command, args []string) error { return a.drain(args[0], args[1], f) },
	}
	flags := cmd.Flags()
	flags.StringVar(&f.from, "from", "", "begin of the span, since the start of the trace: \"12.5 s\"; left out: its start")
	flags.StringVar(&f.to, "to", "", "end of the span; left out: the end of the trace")
	flags.StringVar(&f.signal, "signal", "", "the current; left out: the first one of the trace")
	flags.StringVar(&f.volts, "volts", "", "a signal, or a fixed voltage as in \"3 V\", for the energy; left out: the first voltage of the trace")
	flags.StringSliceVar(&f.states, "states", nil, "names of the states, lowest current first")
	flags.StringVar(&f.against, "against", "", "compare with this recording, RECORD or RECORD:TRACE; left out, TRACE has the same name")
	flags.StringVar(&f.events, "events", "", "write all events to this CSV file")
	return cmd
}

// drained is what was found in a trace.
type drained struct {
	record, trace, signal, volts string
	complete                     bool
	result                       *drain.Result
}

func (a *app) drain(dir, name string, f drainFlags) error {
	var ledger measured.Ledger
	found, err := a.drainOf(dir, name, f, &ledger)
	if err != nil {
		return err
	}
	var compared *drain.Comparison
	var other *drained
	if f.against != "" {
		otherDir, otherName := f.against, name
		if _, err := os.Lstat(f.against); err != nil { // a path may have a colon itself
			if at := strings.LastIndexByte(f.against, ':'); at > 0 {
				otherDir, otherName = f.against[:at], f.against[at+1:]
			}
		}
		whole := f
		whole.from, whole.to = "", ""
		if other, err = a.drainOf(otherDir, otherName, whole, &ledger); err != nil {
			return err
		}
		c := drain.Compare(other.result, found.result)
		compared = &c
	}
	if f.events != "" {
		if err := found.writeEvents(f.events); err != nil {
			return wrong(err)
		}
	}
	if a.json {
		doc := run.DrainOf(name, found.signal, found.result)
		r := found.result
		doc.FromSeconds, doc.ToSeconds, doc.Volts = float64(r.From)*r.IntervalSeconds, float64(r.To)*r.IntervalSeconds, found.volts
		if compared != nil {
			doc.Against = run.CompareOf(*compared, other.trace, other.result)
			doc.Against.Record = other.record
		}
		return a.document(doc)
	}
	found.tell(a.out)
	if compared != nil {
		tellCompared(a.out, found, other, compared)
	}
	return nil
}

func (d *drained) writeEvents(file string) (err error) {
	out, err := os.Create(file)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	return run.WriteEvents(out, d.result, 0)
}

// drainOf analyses a trace of a record.
func (a *app) drainOf(dir, name string, f drainFlags, ledger *measured.Ledger) (_ *drained, err error) {
	z, err := openSpan(dir, name, zoomFlags{from: f.from, to: f.to, signal: f.signal})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, z.Close()) }()
	h := z.Head()
	amps := signalOf(h, z.signals, quantity.Current)
	if amps < 0 {
		return nil, wrong(fmt.Errorf("trace %s has no such current: %s", name, signalsOf(h)))
	}
	o := drain.Options{IntervalSeconds: h.IntervalSeconds, Ranges: rangeErrors(h.Signals[amps]), Ledger: ledger}
	for _, s := range f.states {
		if s = strings.TrimSpace(s); s != "" {
			o.States = append(o.States, drain.Named{Name: s})
		}
	}
	d := &drained{record: dir, trace: name, signal: h.Signals[amps].Name, complete: z.Statement().Complete}
	signals := []int{amps}
	volts, err := voltsOf(h, f.volts, &o)
	if err != nil {
		return nil, err
	}
	if volts >= 0 {
		signals, d.volts = append(signals, volts), h.Signals[volts].Name
		if ranges := rangeErrors(h.Signals[volts]); len(ranges) > 0 {
			o.Volts = &ranges[len(ranges)-1]
		}
	} else if o.NominalVolts > 0 {
		d.volts = quantity.Of(o.NominalVolts, quantity.Voltage).String()
	}
	if d.result, err = drain.Analyse(drainBlocks(z.Trace, signals, z.from, z.to), o); err != nil {
		return nil, wrong(fmt.Errorf("trace %s of %s: %w", name, dir, err))
	}
	return d, nil
}

// signalOf is the first of signals that has a dimension; -1 if none has.
func signalOf(h trace.Head, signals []int, dim quantity.Dimension) int {
	for _, i := range signals {
		if record.DimensionOf(h.Signals[i].Unit) == dim {
			return i
		}
	}
	return -1
}

func signalsOf(h trace.Head) string {
	var names []string
	for _, s := range h.Signals {
		names = append(names, s.Name+" in "+s.Unit)
	}
	return "it has " + strings.Join(names, ", ")
}

// voltsOf finds the voltage that the energy is taken with: a signal, -1 for none, or a fixed one in the options.
func voltsOf(h trace.Head, asked string, o *drain.Options) (signal int, err error) {
	for i, s := range h.Signals {
		if record.DimensionOf(s.Unit) == quantity.Voltage && (asked == "" || s.Name == asked) {
			return i, nil
		}
	}
	if asked == "" {
		return -1, nil
	}
	q, err := quantity.ParseAs(asked, quantity.Voltage)
	if err != nil || !(q.SI > 0) {
		return -1, &failure{status: exitInput, err: fmt.Errorf("--volts %s is neither a voltage of trace %s nor one above 0 V", asked, h.Name), hint: signalsOf(h)}
	}
	o.NominalVolts = q.SI
	return -1, nil
}

func rangeErrors(s trace.Signal) []drain.RangeError {
	var out []drain.RangeError
	for i, r := range s.Ranges {
		name := r.Inputs
		if name == "" && (r.Gain != 0 || r.Offset != 0) {
			name = fmt.Sprintf("%s, range %d", s.Name, i+1)
		}
		out = append(out, drain.RangeError{Name: name, Full: r.Full, Step: r.Step, Gain: r.Gain, Offset: r.Offset})
	}
	return out
}

// drainBlocks makes the blocks of a trace those of an analysis.
func drainBlocks(t *trace.Trace, signals []int, from, to int64) drain.Blocks {
	return func(yield func(*drain.Block, error) bool) {
		var b drain.Block
		for s, err := range t.Blocks(signals, from, to) {
			if err != nil {
				yield(nil, err)
				return
			}
			b.Start, b.Amps, b.Runs = s.Start, s.Values[0][:s.Count], b.Runs[:0]
			for _, r := range s.Runs[0] {
				b.Runs = append(b.Runs, drain.Run{At: r.At, Range: r.Range})
			}
			if len(signals) > 1 {
				b.Volts = s.Values[1][:s.Count]
			}
			if !yield(&b, nil) {
				return
			}
		}
	}
}

// known figures only: a dash for what is none.
func orDash(text string, x float64) string {
	if math.IsNaN(x) {
		return "-"
	}
	return text
}
