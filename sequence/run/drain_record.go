package run

import (
	"bufio"
	"cmp"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"fourwire/analysis/drain"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
)

// Bounds of what of an analysis goes into its JSON file; all events are in the table beside it.
const mostEvents = 5000

// DrainOf is what was found in a trace as a record keeps it. Times count from the first sample that was looked at.
func DrainOf(name, signal string, res *drain.Result) *record.Drain {
	l := res.Ledger
	out := &record.Drain{
		Trace: name, Signal: signal, ToSeconds: float64(res.To-res.From) * res.IntervalSeconds,
		Mean: estimate(res.Mean, l), Charge: estimate(res.Charge, l), Energy: estimate(res.Energy, l), RMS: estimate(res.RMS, l), Peak: estimate(res.Peak, l),
		FloorAmps: res.Thresholds.FloorAmps, EnterAmps: res.Thresholds.EnterAmps, LeaveAmps: res.Thresholds.LeaveAmps, Method: res.Thresholds.Method,
		Count: len(res.Events) + res.More, Notes: append([]string(nil), res.Notes...),
	}
	for _, s := range res.States {
		one := record.DrainState{Name: s.Name, Seconds: s.Seconds, Coulombs: s.Charge.X, U: s.Charge.Expanded(), MeanAmps: s.Amps, PeakAmps: s.PeakAmps, Share: s.Share, TimeShare: s.TimeShare, Visits: s.Visits}
		out.States = append(out.States, one)
	}
	for _, i := range greatest(res.Events, mostEvents) {
		out.Events = append(out.Events, eventOf(res, i, &res.Events[i]))
	}
	for _, k := range res.Kinds {
		out.Kinds = append(out.Kinds, record.DrainKind{Name: k.Name, Count: k.Count, PeriodSeconds: k.PeriodSeconds, PeriodSpread: k.PeriodSpread, MeanSeconds: k.MeanSeconds,
			MeanCoulombs: k.MeanCharge.X, SpreadCoulombs: k.SpreadCoulombs, PeakAmps: k.PeakAmps})
	}
	for _, s := range res.Spans {
		out.Spans = append(out.Spans, record.DrainSpan{FromIndex: s.From, State: s.State})
	}
	out.CCDF = ccdfOf(res)
	if i := res.Inrush; i != nil {
		out.Inrush = &record.Inrush{Start: float64(i.Start) * res.IntervalSeconds, Seconds: i.Seconds, PeakAmps: i.PeakAmps, Coulombs: i.Coulombs}
	}
	for _, x := range res.Ranges {
		out.Ranges = append(out.Ranges, record.DrainRange{FullAmps: x.FullAmps, Seconds: x.Seconds, Coulombs: x.Coulombs})
	}
	return out
}

func ccdfOf(res *drain.Result) (points []record.CCDFPoint) {
	for _, p := range res.CCDF {
		points = append(points, record.CCDFPoint{Amps: p.Amps, Above: p.Fraction})
	}
	return points
}

// greatest gives the indices of the events with most charge, at most so many, in order of time.
func greatest(events []drain.Event, most int) []int {
	list := make([]int, len(events))
	for i := range list {
		list[i] = i
	}
	if len(list) > most {
		slices.SortStableFunc(list, func(a, b int) int { return cmp.Compare(events[b].Coulombs, events[a].Coulombs) })
		list = list[:most]
		slices.Sort(list)
	}
	return list
}

func eventOf(res *drain.Result, i int, e *drain.Event) record.DrainEvent {
	one := record.DrainEvent{Start: float64(e.Start) * res.IntervalSeconds, Seconds: e.Seconds, Coulombs: e.Coulombs, U: res.EventCharge(i).Expanded(), Joules: e.Joules, PeakAmps: e.PeakAmps, MeanAmps: e.MeanAmps, Kind: e.Kind}
	for _, p := range e.Parts {
		one.Parts = append(one.Parts, record.DrainPart{State: p.State, Seconds: p.Seconds, Coulombs: p.Coulombs})
	}
	return one
}

// shift moves times and indices of a part of a trace to where they are in the whole.
func shift(d *record.Drain, seconds float64, samples int64) {
	for i := range d.Events {
		d.Events[i].Start += seconds
	}
	for i := range d.Spans {
		d.Spans[i].FromIndex += samples
	}
	if d.Inrush != nil {
		d.Inrush.Start += seconds
	}
}

// estimate is a value as a record keeps it.
func estimate(v measured.Value, l *measured.Ledger) record.Estimate {
	e := record.Estimate{Value: v.X, U: nan}
	if len(v.Terms) > 0 {
		e.U = v.Expanded()
	}
	if t, ok := v.Biggest(); ok && l != nil {
		e.Biggest = l.Input(t.Input).Name
	}
	return e
}

// CompareOf is a comparison as a record keeps it: this recording against another one, of the named trace.
func CompareOf(c drain.Comparison, trace string, other *drain.Result) *record.Comparison {
	out := &record.Comparison{Trace: trace, Notes: append([]string(nil), c.Notes...), CCDF: ccdfOf(other)}
	add := func(prefix string, list ...drain.Change) {
		for _, x := range list {
			what := strings.TrimSpace(prefix + strings.TrimPrefix(x.Name, prefix)) // a kind without a name of its own is "kind 1"
			if x.Measure != "" && x.Measure != what {
				what += ", " + x.Measure
			}
			out.Lines = append(out.Lines, record.CompareLine{What: what, Unit: x.Difference.Dim.Unit(), A: x.B.X, B: x.A.X, Difference: x.Difference.X, U: x.U, Judgement: judgement(x.Verdict)})
		}
	}
	add("", c.Total)
	add("state ", c.States...)
	add("kind ", c.Kinds...)
	return out
}

// judgement is a verdict about the new recording, which a record calls this one.
func judgement(v drain.Verdict) string {
	switch v {
	case drain.OnlyInA:
		return "only in the other"
	case drain.OnlyInB:
		return "only in this"
	}
	return string(v)
}

// against compares with another trace of this run; one that no drain step has looked through is looked through for it.
func (r *runner) against(ctx context.Context, s *sequence.Drain, d *drained) (change measured.Value, err error) {
	name := r.traces[s.Against]
	if name == "" {
		return change, r.stop(Input, "the trace %s was not recorded in this run", s.Against)
	}
	other := r.drains[name]
	if other == nil || other.result == nil {
		same := *s
		same.Trace, same.Against, same.From, same.To = s.Against, "", quantity.Quantity{}, quantity.Quantity{}
		if other, err = r.analyse(ctx, &same, name); err != nil {
			return change, err
		}
	}
	c := drain.Compare(other.result, d.result)
	d.kept.Against = CompareOf(c, name, other.result)
	change = c.Total.Difference
	if c.Total.Statistical > 0 && r.cfg.Ledger != nil {
		change = r.plus(change, r.cfg.Ledger.Own(measured.Input{Name: lengthOfBoth, Kind: measured.Noise}), c.Total.Statistical)
	}
	return change, nil
}

// tellDrain says the main figures.
func (r *runner) tellDrain(name string, d *drained) {
	text := fmt.Sprintf("%s: mean %s (U %s), %s in %s, %d events", name, d.mean.Quantity().Text(5), quantity.Amp(d.mean.Expanded()), d.result.Charge.Quantity().Text(5),
		spanText(d.result.Seconds), d.kept.Count)
	for k, s := range d.result.States {
		if k == mostTold {
			break
		}
		text += fmt.Sprintf(", %s %.3g %%", s.Name, 100*s.Share)
	}
	r.note("drain", "info", text)
	if c := d.kept.Against; c != nil && len(c.Lines) > 0 {
		x := c.Lines[0]
		r.note("drain", "info", fmt.Sprintf("%s against %s: %s, by %s (U %s)", name, c.Trace, x.Judgement, quantity.Amp(x.Difference), quantity.Amp(x.U)))
	}
}

// mostTold is how many states are told.
const mostTold = 5

// saveDrain keeps what was found.
func (r *runner) saveDrain(d *drained) error {
	data, err := json.MarshalIndent(d.kept, "", " ")
	if err != nil {
		return r.stop(Fault, "%s cannot be written: %w", d.kept.Trace, err)
	}
	base := record.AnalysisFolder + "/" + d.kept.Trace
	if err := r.keeper.Put(base+".drain.json", append(data, '\n')); err != nil {
		return r.stop(Bench, "%w", err)
	}
	if d.result == nil { // taken from the record: its events are there
		return nil
	}
	err = r.keeper.PutFrom(base+".events.csv", func(to io.Writer) error { return WriteEvents(to, d.result, d.kept.FromSeconds) })
	if err != nil {
		return r.stop(Bench, "%w", err)
	}
	return nil
}

// WriteEvents writes the table of all events; times count from so many seconds before the first sample that was looked at.
func WriteEvents(to io.Writer, res *drain.Result, fromSeconds float64) error {
	b := bufio.NewWriter(to)
	w := csv.NewWriter(b)
	_ = w.Write([]string{"start [s]", "duration [s]", "charge [C]", "U(charge) [C]", "energy [J]", "peak [A]", "mean [A]", "kind"})
	number := func(x float64) string {
		if math.IsNaN(x) {
			return ""
		}
		return strconv.FormatFloat(x, 'g', 10, 64)
	}
	for i := range res.Events {
		e := eventOf(res, i, &res.Events[i])
		kind := ""
		if e.Kind >= 0 && e.Kind < len(res.Kinds) {
			kind = res.Kinds[e.Kind].Name
		}
		_ = w.Write([]string{number(e.Start + fromSeconds), number(e.Seconds), number(e.Coulombs), number(e.U), number(e.Joules), number(e.PeakAmps), number(e.MeanAmps), kind})
	}
	w.Flush()
	if err := w.Error(); err != nil {
		return err
	}
	return b.Flush()
}
