package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
)

// zoomFlags are what zoom is asked for.
type zoomFlags struct {
	from, to, signal, out string
	bins                  int
	raw                   bool
}

func (a *app) zoomCommand() *cobra.Command {
	var f zoomFlags
	cmd := &cobra.Command{
		Use:   "zoom RECORD TRACE",
		Short: "Sum up any span of a recorded trace, or take its samples out as CSV",
		Long: `Says of a span of a trace how many samples it has, their mean, smallest and largest value, the charge of a current and what is
missing. The charge is the exact sum of the samples, however long the span is. With --bins or --raw the span is also written as CSV, to
the standard output or to a file; the summary then goes to stderr unless there is a file.

Exit status: 0 done, 3 the input is wrong: no such record, trace, signal or span.`,
		Example: `  fourwire zoom records/unit-7 day --from 3h --to "3.5 h"
  fourwire zoom records/unit-7 day --from "12.5 s" --to "12.6 s" --raw --out burst.csv
  fourwire zoom records/unit-7 day --bins 1000 --signal i > day.csv`,
		Args: cobra.ExactArgs(2),
		RunE: func(_ *cobra.Command, args []string) error { return a.zoom(args[0], args[1], f) },
	}
	flags := cmd.Flags()
	flags.StringVar(&f.from, "from", "", "begin of the span, since the start of the trace: \"12.5 s\"; left out: its start")
	flags.StringVar(&f.to, "to", "", "end of the span; left out: the end of the trace")
	flags.IntVar(&f.bins, "bins", 0, "write so many bins of about the same width, with smallest, mean and largest value")
	flags.BoolVar(&f.raw, "raw", false, "write every sample")
	flags.StringVar(&f.signal, "signal", "", "this signal only")
	flags.StringVar(&f.out, "out", "", "write the CSV to this file; without --raw and --bins: 1000 bins")
	return cmd
}

// zoomed is a span of an open trace.
type zoomed struct {
	*trace.Trace
	signals  []int
	from, to int64
}

func (a *app) zoom(dir, name string, f zoomFlags) (err error) {
	switch {
	case f.bins < 0 || f.bins > 1_000_000:
		return wrong(fmt.Errorf("--bins %d: 1 to 1000000 are possible", f.bins))
	case f.raw && f.bins > 0:
		return wrong(errors.New("--raw and --bins exclude each other"))
	case f.out != "" && f.bins == 0 && !f.raw:
		f.bins = 1000
	}
	z, err := openSpan(dir, name, f)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, z.Close()) }()
	rows := f.bins > 0 || f.raw
	if a.json {
		if f.raw && f.out == "" {
			return &failure{status: exitInput, err: errors.New("samples are written as CSV, not as JSON"), hint: "add --out FILE"}
		}
		doc, err := z.document(dir, f)
		if err != nil {
			return wrong(err)
		}
		if err := a.document(doc); err != nil {
			return err
		}
	} else {
		to := a.out
		if rows && f.out == "" {
			to = a.err
		}
		if err := z.tell(to); err != nil {
			return wrong(err)
		}
	}
	switch {
	case !rows || a.json && f.out == "":
		return nil
	case f.out == "":
		return z.csv(a.out, f)
	}
	return z.csvFile(f)
}

// openSpan opens a trace and finds the span that is asked for.
func openSpan(dir, name string, f zoomFlags) (*zoomed, error) {
	t, err := openTrace(dir, name)
	if err != nil {
		return nil, err
	}
	z := &zoomed{Trace: t, to: t.Len()}
	if err := z.choose(f); err != nil {
		return nil, errors.Join(err, t.Close())
	}
	return z, nil
}

// openTrace opens a trace of a record, or says which there are.
func openTrace(dir, name string) (*trace.Trace, error) {
	folder := filepath.Join(dir, record.TracesFolder)
	if _, err := os.Lstat(filepath.Join(dir, record.LogFile)); err != nil {
		return nil, wrong(fmt.Errorf("%s: %w: it has no %s", dir, record.ErrNoRecord, record.LogFile))
	}
	if info, err := os.Lstat(folder); err == nil && !info.IsDir() {
		return nil, wrong(fmt.Errorf("%s: %w", dir, &record.NotAFileError{Name: record.TracesFolder}))
	}
	t, err := trace.Open(folder, name)
	if err == nil {
		return t, nil
	}
	names, listed := trace.Names(folder)
	missing := true
	for _, have := range names {
		missing = missing && have != name
	}
	switch {
	case errors.Is(err, trace.ErrUnfinished):
		hint := fmt.Sprintf("when the run is over, \"fourwire report %s\" recovers what was recorded", dir)
		return nil, &failure{status: exitInput, err: err, hint: hint}
	case listed != nil || !missing:
		return nil, wrong(err)
	case len(names) == 0:
		return nil, wrong(fmt.Errorf("%s has no traces; a sequence makes them with the step \"record\"", dir))
	case errors.Is(err, fs.ErrNotExist):
		return nil, &failure{status: exitInput, err: fmt.Errorf("%s has no trace %q", dir, name), hint: "it has " + strings.Join(names, ", ")}
	}
	return nil, &failure{status: exitInput, err: err, hint: "it has " + strings.Join(names, ", ")}
}

// choose finds signals and indices of what is asked for.
func (z *zoomed) choose(f zoomFlags) error {
	h := z.Head()
	if f.signal != "" {
		i := z.Signal(f.signal)
		if i < 0 {
			var names []string
			for _, s := range h.Signals {
				names = append(names, s.Name)
			}
			return &failure{status: exitInput, err: fmt.Errorf("trace %s has no signal %q", h.Name, f.signal), hint: "it has " + strings.Join(names, ", ")}
		}
		z.signals = []int{i}
	} else {
		for i := range h.Signals {
			z.signals = append(z.signals, i)
		}
	}
	var err error
	if f.from != "" {
		if z.from, err = indexAt("--from", f.from, h, math.Floor, 1e-6); err != nil {
			return err
		}
	}
	if f.to != "" {
		if z.to, err = indexAt("--to", f.to, h, math.Ceil, -1e-6); err != nil {
			return err
		}
	}
	if z.from >= z.to || z.to > z.Len() {
		why := "ends behind it"
		if z.from >= z.to {
			why = "is empty"
		}
		return wrong(fmt.Errorf("the span %s to %s %s: trace %s goes from 0 s to %s", z.time(z.from), z.time(z.to), why, h.Name, z.time(z.Len())))
	}
	return nil
}

// indexAt is the sample at a time since the start; a time within a sample's interval, but for rounding, is rounded as told.
func indexAt(flag, text string, h trace.Head, round func(float64) float64, slack float64) (int64, error) {
	q, err := quantity.ParseAs(text, quantity.Time)
	if err != nil {
		return 0, &failure{status: exitInput, err: fmt.Errorf("%s: %w", flag, err), hint: `write a time since the start of the trace, as in --from "12.5 s" or --from 3h`}
	}
	x := round(q.SI/h.IntervalSeconds + slack)
	if q.SI < 0 || !(x < 1<<62) {
		return 0, wrong(fmt.Errorf("%s: %s is no time since the start of the trace", flag, text))
	}
	return int64(x), nil
}

func (z *zoomed) seconds(index int64) float64 { return float64(index) * z.Head().IntervalSeconds }

func (z *zoomed) time(index int64) string {
	return quantity.Of(z.seconds(index), quantity.Time).Text(12)
}

// tell prints the summary.
func (z *zoomed) tell(to io.Writer) error {
	h, s := z.Head(), z.Statement()
	fmt.Fprintf(to, "trace %s from %s to %s, of %s; a sample every %s since %s\n", h.Name, z.time(z.from), z.time(z.to), z.time(z.Len()),
		quantity.Of(h.IntervalSeconds, quantity.Time), h.Start.Format(time.RFC3339))
	var cross float64
	for _, i := range z.signals {
		b, err := z.Span(i, z.from, z.to)
		if err != nil {
			return err
		}
		dim := record.DimensionOf(h.Signals[i].Unit)
		text := func(si float64) string { return quantity.Of(si, dim).String() }
		line := h.Signals[i].Name
		if h.Signals[i].Node != "" {
			line += "  " + h.Signals[i].Node
		}
		fmt.Fprintf(to, "%s: %d samples", printable(line), b.Count)
		if b.Count > 0 {
			fmt.Fprintf(to, ", mean %s, from %s to %s", text(b.Mean), text(b.Min), text(b.Max))
		}
		if dim == quantity.Current {
			fmt.Fprintf(to, ", charge %s", quantity.Of(b.Integral, quantity.Charge).Text(9))
		}
		fmt.Fprintln(to)
		cross = b.Cross
	}
	if len(z.signals) > 1 && !math.IsNaN(cross) {
		fmt.Fprintf(to, "energy: %s\n", quantity.Of(cross*h.IntervalSeconds, quantity.Energy).Text(9))
	}
	z.tellGaps(to, s)
	return nil
}

func (z *zoomed) tellGaps(to io.Writer, s trace.Statement) {
	gaps, lost := z.gaps()
	switch {
	case lost == 0 && s.Lost == 0 && s.Complete:
		fmt.Fprintln(to, "gaps: none; the recording is complete")
	case lost == 0:
		fmt.Fprintln(to, "gaps: none in this span")
	default:
		fmt.Fprintf(to, "gaps: %d samples are missing in this span\n", lost)
	}
	for i, g := range gaps {
		if i == 10 {
			fmt.Fprintf(to, "  and %d more\n", len(gaps)-i)
			break
		}
		why := g.Why
		if why == "" {
			why = "lost"
		}
		fmt.Fprintf(to, "  %s at %s, for %s\n", why, z.time(g.Start), z.time(g.Count))
	}
	for _, why := range s.Why {
		fmt.Fprintln(to, "not complete: "+printable(why))
	}
}

// gaps are those within the span, cut at its ends, and how many samples are missing.
func (z *zoomed) gaps() (list []trace.Gap, lost int64) {
	why := map[int64]string{}
	for _, g := range z.Statement().Gaps {
		why[g.Start+g.Count] = g.Why
	}
	at := z.from
	take := func(until, end int64) {
		if until = min(until, z.to); until > at {
			list = append(list, trace.Gap{Start: at, Count: until - at, Why: why[end]})
			lost += until - at
		}
	}
	for _, s := range z.Segments() {
		if s.Start+s.Count <= z.from {
			continue
		}
		take(s.Start, s.Start)
		if at = max(at, s.Start+s.Count); at >= z.to {
			return list, lost
		}
	}
	return list, lost
}
