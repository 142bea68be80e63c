// Package tiles writes a long signal as small static files that a page can load piece by piece, so that a reader can look from
// a whole day into single samples without a server: a coarse view for the page itself, finer ones and the samples in files
// beside it. The page's script beside package report/html reads them; the two are held together by tests in a browser.
package tiles

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"sort"

	"fourwire/record/trace"
)

// The sizes of what is written.
const (
	DefaultBudget = 64 << 20 // bytes of all files of one trace
	pageBins      = 4096     // the most bins of the level that is in the page itself
	fewSamples    = 12288    // up to so many samples are in the page as they are
	factor        = 16       // from a level to the next coarser one
	finestBin     = 32       // samples; below that come the samples themselves
	chunkSlots    = 4096     // bins or samples that are there or not there together
	chunksPerFile = 16       // of samples; of bins a quarter of that
)

// Missing is the count of a sample that is not there.
const Missing = math.MinInt32

// Options changes what is written; the zero value is good.
type Options struct {
	Budget int64  // bytes; 0 is DefaultBudget
	Keep   []Span // where single samples are kept, when there are too many of them: around events, those that matter most first
}

// Span is a stretch of samples, by index; To is behind it.
type Span struct{ From, To int64 }

// Signal is what a page must know of a signal to turn counts into values: value = count × Steps[range], and in sums
// count × Multiples[range] base steps.
type Signal struct {
	Name      string    `json:"name"`
	Unit      string    `json:"unit"`
	Node      string    `json:"node,omitempty"`
	Base      float64   `json:"base"` // SI
	Steps     []float64 `json:"steps"`
	Multiples []float64 `json:"mults"`
	Full      []float64 `json:"full"` // of the ranges, SI
}

// Level is one depth of the trace.
type Level struct {
	Samples int64   `json:"s"`               // that one bin stands for; 1: the samples themselves
	Slots   int64   `json:"slots"`           // bins or samples of a chunk
	Group   int64   `json:"group,omitempty"` // chunks of a file
	Runs    []int64 `json:"runs,omitempty"`  // of the chunks that are there: first, how many, first, how many...
	Data    string  `json:"data,omitempty"`  // the one chunk of the coarsest level, in base64
	Prefix  string  `json:"prefix,omitempty"`
}

// Index is what a page must know of the files.
type Index struct {
	Name     string   `json:"name"`
	Start    string   `json:"start"` // of sample 0, RFC 3339
	Interval float64  `json:"interval"`
	Len      int64    `json:"n"` // index behind the last sample
	Signals  []Signal `json:"signals"`
	Cross    bool     `json:"cross,omitempty"` // bins have the sum of current times voltage, too
	Current  int      `json:"i"`               // which signals those are
	Voltage  int      `json:"v"`               // -1: none
	Levels   []Level  `json:"levels"`          // the finest first
	Whole    bool     `json:"whole"`           // every sample is there
	Samples  int64    `json:"kept"`            // samples that are there one by one
	Files    int      `json:"-"`
	Bytes    int64    `json:"-"` // of all files
}

// Write writes the files of a trace into folder, which is made anew. It reads the trace once, from its beginning to its end, and keeps
// a few chunks in memory whatever the trace's length is.
func Write(folder string, t *trace.Trace, o Options) (*Index, error) {
	if o.Budget == 0 {
		o.Budget = DefaultBudget
	}
	if err := os.RemoveAll(folder); err != nil {
		return nil, fmt.Errorf("tiles: %w", err)
	}
	x, err := newIndex(t)
	if err != nil || x.Len == 0 {
		return x, err
	}
	keep, err := x.plan(t, o)
	if err != nil {
		return nil, fmt.Errorf("tiles of trace %s: %w", x.Name, err)
	}
	if len(x.Levels) > 1 {
		if err := os.MkdirAll(folder, 0o777); err != nil {
			return nil, fmt.Errorf("tiles: %w", err)
		}
	}
	b := newBuilder(x, filepath.Clean(folder), keep)
	if err := b.run(t); err != nil {
		return nil, fmt.Errorf("tiles of trace %s: %w", x.Name, err)
	}
	return x, nil
}

func newIndex(t *trace.Trace) (*Index, error) {
	h := t.Head()
	x := &Index{Name: h.Name, Start: h.Start.UTC().Format("2006-01-02T15:04:05.999999Z07:00"), Interval: h.IntervalSeconds, Len: t.Len(), Current: -1, Voltage: -1}
	for i, s := range h.Signals {
		one := Signal{Name: s.Name, Unit: s.Unit, Node: s.Node, Base: t.BaseStep(i)}
		for _, r := range s.Ranges {
			one.Steps = append(one.Steps, r.Step)
			one.Full = append(one.Full, r.Full)
			one.Multiples = append(one.Multiples, math.Round(r.Step/one.Base))
		}
		switch {
		case s.Unit == "A" && x.Current < 0:
			x.Current = i
		case s.Unit == "V" && x.Voltage < 0:
			x.Voltage = i
		}
		x.Signals = append(x.Signals, one)
	}
	x.Cross = x.Current >= 0 && x.Voltage >= 0
	return x, nil
}

// plan chooses the levels, and which chunks of samples are kept; nil where all are.
func (x *Index) plan(t *trace.Trace, o Options) (keep []bool, err error) {
	if x.Len <= fewSamples {
		x.Levels = []Level{{Samples: 1, Slots: x.Len}}
		x.Whole = true
		return nil, nil
	}
	page := int64(2)
	for (x.Len+page-1)/page > pageBins {
		page *= 2
	}
	var sizes []int64 // samples of a bin, the coarsest first
	for s := page; s >= finestBin || len(sizes) == 0; s /= factor {
		sizes = append(sizes, s)
	}
	perSample, err := trial(x, t)
	if err != nil {
		return nil, err
	}
	perBin := (12*float64(len(x.Signals)) + 8) * base64Grows
	bins := func() (sum float64) { // bytes of all levels of bins that are files
		for _, s := range sizes[1:] {
			sum += perBin * float64(x.Len) / float64(s)
		}
		return sum
	}
	left := float64(o.Budget) - bins() - perSample*float64(x.Len)
	x.Whole = left >= 0
	for !x.Whole && len(sizes) > 1 && bins() > 0.6*float64(o.Budget) {
		sizes = sizes[:len(sizes)-1]
	}
	x.Levels = []Level{{Samples: 1, Slots: chunkSlots, Group: chunksPerFile}}
	for i := len(sizes) - 1; i > 0; i-- {
		x.Levels = append(x.Levels, Level{Samples: sizes[i], Slots: chunkSlots, Group: chunksPerFile / 4})
	}
	x.Levels = append(x.Levels, Level{Samples: page, Slots: (x.Len + page - 1) / page})
	for i := range x.Levels[:len(x.Levels)-1] {
		x.Levels[i].Prefix = fmt.Sprintf("s%d-", x.Levels[i].Samples)
	}
	if x.Whole {
		return nil, nil
	}
	room := int64((float64(o.Budget) - bins()) / (perSample * chunkSlots)) // chunks of samples
	return x.around(t, o.Keep, max(0, room))
}

// around marks the chunks that hold the spans, one after the other, as long as there is room. Without spans it marks those in which the
// current swings most.
func (x *Index) around(t *trace.Trace, spans []Span, room int64) ([]bool, error) {
	keep := make([]bool, (x.Len+chunkSlots-1)/chunkSlots)
	if len(spans) == 0 {
		var err error
		if spans, err = x.liveliest(t, len(keep)); err != nil {
			return nil, err
		}
	}
	for _, s := range spans {
		first, last := max(0, s.From)/chunkSlots, (min(s.To, x.Len)-1)/chunkSlots
		need := int64(0)
		for c := first; c <= last; c++ {
			if !keep[c] {
				need++
			}
		}
		if need > room {
			continue
		}
		room -= need
		for c := first; c <= last; c++ {
			keep[c] = true
		}
	}
	return keep, nil
}

// Spread puts a list into an order in which any first part of it is spread over the whole.
func Spread(in []Span) []Span {
	var out []Span
	step := 1
	for step < len(in) {
		step *= 2
	}
	for i := 0; i < len(in); i += step {
		out = append(out, in[i])
	}
	for ; step > 1; step /= 2 {
		for i := step / 2; i < len(in); i += step {
			out = append(out, in[i])
		}
	}
	return out
}

// liveliest gives stretches of the trace, those in which the first signal swings most first.
func (x *Index) liveliest(t *trace.Trace, chunks int) ([]Span, error) {
	bins, err := t.Zoom(max(0, x.Current), 0, x.Len, min(chunks, 16384), nil)
	if err != nil {
		return nil, err
	}
	sort.SliceStable(bins, func(i, k int) bool { return swing(bins[i]) > swing(bins[k]) })
	var out []Span
	for _, b := range bins {
		out = append(out, Span{b.From, b.To})
	}
	return out, nil
}

func swing(b trace.Bin) float64 {
	if b.Count == 0 {
		return -1
	}
	return b.Max - b.Min
}
