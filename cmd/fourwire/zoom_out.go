package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"time"

	"fourwire/record/trace"
)

// zoomDocument is what zoom prints for scripts.
type zoomDocument struct {
	Record    string       `json:"record"`
	Trace     string       `json:"trace"`
	Start     time.Time    `json:"start"`
	Interval  float64      `json:"interval_s"`
	From      float64      `json:"from_s"`
	To        float64      `json:"to_s"`
	Signals   []zoomSignal `json:"signals"`
	Joules    *float64     `json:"energy_J"`
	Lost      int64        `json:"lost"`
	Gaps      []zoomGap    `json:"gaps"`
	Complete  bool         `json:"complete"` // of the whole recording
	Why       []string     `json:"why,omitempty"`
	Statement any          `json:"statement"`
}

type zoomSignal struct {
	Name     string    `json:"name"`
	Unit     string    `json:"unit"`
	Node     string    `json:"node,omitempty"`
	BaseStep float64   `json:"base_step"`
	Whole    zoomBin   `json:"whole"`
	Bins     []zoomBin `json:"bins,omitempty"`
}

type zoomBin struct {
	From     float64   `json:"from_s"`
	To       float64   `json:"to_s"`
	Samples  int64     `json:"samples"`
	Min      *float64  `json:"min"`
	Mean     *float64  `json:"mean"`
	Max      *float64  `json:"max"`
	Sum      trace.Sum `json:"sum"` // in base steps, exact
	Integral float64   `json:"integral"`
}

type zoomGap struct {
	Start   float64 `json:"start_s"`
	Seconds float64 `json:"s"`
	Samples int64   `json:"samples"`
	Why     string  `json:"why,omitempty"`
}

func (z *zoomed) document(dir string, f zoomFlags) (*zoomDocument, error) {
	h, s := z.Head(), z.Statement()
	doc := &zoomDocument{Record: dir, Trace: h.Name, Start: h.Start, Interval: h.IntervalSeconds, From: z.seconds(z.from), To: z.seconds(z.to),
		Gaps: []zoomGap{}, Complete: s.Complete, Why: s.Why, Statement: s}
	for _, i := range z.signals {
		one := zoomSignal{Name: h.Signals[i].Name, Unit: h.Signals[i].Unit, Node: h.Signals[i].Node, BaseStep: z.BaseStep(i)}
		whole, err := z.Span(i, z.from, z.to)
		if err != nil {
			return nil, err
		}
		one.Whole = z.bin(whole)
		doc.Joules = known(whole.Cross * h.IntervalSeconds)
		if f.bins > 0 && f.out == "" {
			bins, err := z.Zoom(i, z.from, z.to, f.bins, nil)
			if err != nil {
				return nil, err
			}
			for _, b := range bins {
				one.Bins = append(one.Bins, z.bin(b))
			}
		}
		doc.Signals = append(doc.Signals, one)
	}
	gaps, lost := z.gaps()
	doc.Lost = lost
	for _, g := range gaps {
		doc.Gaps = append(doc.Gaps, zoomGap{z.seconds(g.Start), z.seconds(g.Count), g.Count, g.Why})
	}
	return doc, nil
}

func (z *zoomed) bin(b trace.Bin) zoomBin {
	return zoomBin{From: z.seconds(b.From), To: z.seconds(b.To), Samples: b.Count, Min: known(b.Min), Mean: known(b.Mean), Max: known(b.Max), Sum: b.Sum, Integral: b.Integral}
}

// known is nil for a number that is not there.
func known(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

// csvFile writes the CSV to the file asked for.
func (z *zoomed) csvFile(f zoomFlags) (err error) {
	out, err := os.Create(f.out)
	if err != nil {
		return wrong(err)
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	return z.csv(out, f)
}

func (z *zoomed) csv(to io.Writer, f zoomFlags) error {
	out := bufio.NewWriterSize(to, 1<<16)
	write := z.binsCSV
	if f.raw {
		write = func(out *bufio.Writer, _ int) error { return z.samplesCSV(out) }
	}
	if err := write(out, f.bins); err != nil {
		return wrong(err)
	}
	return out.Flush()
}

// samplesCSV writes a line per sample: its index and time, and of each signal its value and the full scale of its range.
func (z *zoomed) samplesCSV(out *bufio.Writer) error {
	h := z.Head()
	out.WriteString("index,time_s")
	for _, i := range z.signals {
		s := h.Signals[i]
		fmt.Fprintf(out, ",%s [%s],%s range [%s]", s.Name, s.Unit, s.Name, s.Unit)
	}
	out.WriteByte('\n')
	full := make([][]string, len(z.signals))
	for n, i := range z.signals {
		for _, r := range h.Signals[i].Ranges {
			full[n] = append(full[n], strconv.FormatFloat(r.Full, 'g', -1, 64))
		}
	}
	var line []byte
	run := make([]int, len(z.signals))
	for b, err := range z.Blocks(z.signals, z.from, z.to) {
		if err != nil {
			return err
		}
		clear(run)
		for k := range b.Count {
			line = strconv.AppendInt(line[:0], b.Start+int64(k), 10)
			line = append(line, ',')
			line = appendSeconds(line, z.seconds(b.Start+int64(k)))
			for n := range z.signals {
				if run[n]+1 < len(b.Runs[n]) && b.Runs[n][run[n]+1].At <= k {
					run[n]++
				}
				line = append(line, ',')
				line = strconv.AppendFloat(line, float64(b.Values[n][k]), 'g', -1, 32)
				line = append(line, ',')
				line = append(line, full[n][b.Runs[n][run[n]].Range]...)
			}
			if _, err := out.Write(append(line, '\n')); err != nil {
				return err
			}
		}
	}
	return nil
}

// binsCSV writes a line per bin.
func (z *zoomed) binsCSV(out *bufio.Writer, bins int) error {
	h := z.Head()
	var of [][]trace.Bin
	out.WriteString("from_s,to_s,samples")
	for _, i := range z.signals {
		list, err := z.Zoom(i, z.from, z.to, bins, nil)
		if err != nil {
			return err
		}
		of = append(of, list)
		s := h.Signals[i]
		fmt.Fprintf(out, ",%s min [%s],%s mean [%s],%s max [%s]", s.Name, s.Unit, s.Name, s.Unit, s.Name, s.Unit)
		if s.Unit == "A" {
			fmt.Fprintf(out, ",%s charge [C]", s.Name)
		}
	}
	out.WriteByte('\n')
	var line []byte
	number := func(x float64) {
		line = append(line, ',')
		if !math.IsNaN(x) {
			line = strconv.AppendFloat(line, x, 'g', 15, 64) // the last digits are of multiplying by a step
		}
	}
	for k, b := range of[0] { // the bins of all signals are the same
		line = appendSeconds(line[:0], z.seconds(b.From))
		line = append(line, ',')
		line = appendSeconds(line, z.seconds(b.To))
		line = append(line, ',')
		line = strconv.AppendInt(line, b.Count, 10)
		for n, i := range z.signals {
			one := of[n][k]
			number(one.Min)
			number(one.Mean)
			number(one.Max)
			if h.Signals[i].Unit == "A" {
				number(one.Integral)
			}
		}
		if _, err := out.Write(append(line, '\n')); err != nil {
			return err
		}
	}
	return nil
}

// appendSeconds writes a time without the last digits, which the multiplication made.
func appendSeconds(b []byte, seconds float64) []byte {
	return strconv.AppendFloat(b, seconds, 'g', 14, 64)
}
