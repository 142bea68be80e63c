package reporttest

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
)

// Drain makes a record of the buoy's battery beacon node: a day of its current, what was found in it, a life and a discharge with a
// played battery.
type Drain struct {
	Seconds  float64 // of the trace; 0 is 600
	Interval float64 // seconds; 0 is 1 ms
	Gap      bool    // 3 ms and, later, 20 s of samples are missing
	Alone    bool    // the current alone, no voltage
	Hostile  bool
	Points   int // of the discharge; 0 is 40
}

// states of the node, with the current that each takes.
var nodeStates = []struct {
	name string
	amps float64
}{{"sleep", 1.2e-6}, {"sensing", 4.1e-3}, {"radio", 38e-3}, {"position fix", 21e-3}}

// part is a stretch in one state.
type part struct {
	state   int
	seconds float64
}

// The two kinds of events: a report every minute, a position fix every quarter of an hour.
var (
	nodeReport = []part{{1, 0.060}, {2, 0.0235}, {1, 0.010}, {2, 0.0175}}
	nodeFix    = []part{{1, 0.060}, {3, 1.8}, {2, 0.0455}}
)

// WriteDrain makes the record in dir, the same bytes every time.
func WriteDrain(dir string, o Drain) error {
	if o.Seconds == 0 {
		o.Seconds = 600
	}
	if o.Interval == 0 {
		o.Interval = 0.001
	}
	if o.Points == 0 {
		o.Points = 40
	}
	v := clock.NewVirtual(noon)
	title := "Beacon node, a day on its lithium cell"
	if o.Hostile {
		title = HostileText + title
	}
	w, err := record.Create(dir, record.Start{
		ID: "0195565c-3c00-7000-8000-00000000bea0", Tool: "fourwire 0.1.0", Title: title, Sequence: "day.yaml", Simulated: true,
		About: "Records what the beacon draws in a day, says for how long its cell lasts, and plays the cell down to its cut-off.",
		Bench: record.Bench{File: "bench.yaml", Title: "Node bench", AmbientKelvin: 296.15},
		Instruments: []record.Instrument{
			{Name: "smu", Address: "sim:smu", Driver: "source-measure-unit", Maker: "Bench", Model: "Unit 6/200", Serial: "U4001", Firmware: "2.1", Calibrated: "2026-01-20", Roles: []string{"feed", "log"}},
		},
		Wiring: []record.Wire{{Channel: "smu.1", Node: "node.supply", As: "source", Sense: "remote", LeadOhm: 0.02}},
		Guards: []record.Guard{{Node: "node.supply", Volts: "0..3.6 V", Amps: "..500 mA"}},
		Curves: []record.Curve{{X: "drawn", Y: "volts", Title: "Discharge on the played cell"}},
		Clock:  v,
	})
	if err != nil {
		return err
	}
	if err := drainInside(w, v, dir, o); err != nil {
		return errors.Join(err, w.Close())
	}
	return w.Finish(record.End{Outcome: record.Pass})
}

func drainInside(w *record.Writer, v *clock.Virtual, dir string, o Drain) error {
	if err := w.Input("day.yaml", []byte("fourwire: sequence/1\ntitle: Beacon node, a day on its lithium cell\n")); err != nil {
		return err
	}
	columns := []record.Column{
		{Name: "drawn", Kind: record.Derived, Dim: quantity.Charge, Expr: "drawn of the battery at feed"},
		{Name: "volts", Kind: record.Measured, Dim: quantity.Voltage, Node: "v(node.supply)", From: "smu.1"},
		{Name: "charge", Kind: record.Derived, Dim: quantity.Ratio, Expr: "charge of the battery at feed"},
		{Name: "life", Kind: record.Derived, Dim: quantity.Time, Expr: "life on primary"},
	}
	if err := w.Columns(columns, false); err != nil {
		return err
	}
	d, err := writeTrace(dir, "day", o)
	if err != nil {
		return err
	}
	if err := save(filepath.Join(dir, record.AnalysisFolder, "day.drain.json"), d); err != nil {
		return err
	}
	if err := saveEvents(filepath.Join(dir, record.AnalysisFolder, "day.events.csv"), d); err != nil {
		return err
	}
	full := 2.4 * 3600.0
	for k := range o.Points {
		left := 1 - float64(k)/float64(o.Points-1)*0.97
		volts := 2.0 + 1.25*math.Pow(left, 0.22) - 0.02*(1-left)
		p := record.Point{Number: k + 1, At: time.Duration(k) * 20 * time.Minute, Valid: true, Settled: true, Cells: map[string]record.Cell{
			"drawn": {SI: full * (1 - left), U: 0.002 * full * (1 - left)}, "volts": {SI: volts, U: 0.0012}, "charge": {SI: left, U: 0.002},
			"life": {SI: 1.9e8, U: 2.4e7},
		}}
		if err := w.Point(p); err != nil {
			return err
		}
	}
	return save(filepath.Join(dir, record.EmulationFolder, "feed.json"), record.Emulation{
		Name: "feed", Battery: "primary.battery.yaml", Source: "feed", From: 1, Charge: 0.03, OpenVolts: 2.58, DrawnCoulombs: 0.97 * full, DrawnJoules: 0.97 * full * 2.95,
		Seconds: 46800, EverySeconds: 0.1, Kelvin: 296.15, CountedBy: "the unit's own count, without a gap", Resistance: "output", LatencyVolts: 0.00002, EndedBy: "2.6 V was reached",
	})
}

func save(path string, x any) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		return err
	}
	data, err := json.MarshalIndent(x, "", "  ")
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return os.WriteFile(path, append(data, '\n'), 0o666)
}

func saveEvents(path string, d *record.Drain) error {
	out, err := os.Create(path)
	if err != nil {
		return err
	}
	f := bufio.NewWriter(out)
	fmt.Fprintln(f, "start [s],duration [s],charge [C],U(charge) [C],energy [J],peak [A],mean [A],kind")
	for _, e := range d.Events {
		fmt.Fprintf(f, "%g,%g,%g,%g,%g,%g,%g,%q\n", e.Start, e.Seconds, e.Coulombs, e.U, e.Joules, e.PeakAmps, e.MeanAmps, strings.ReplaceAll(d.Kinds[e.Kind].Name, "\"", "'"))
	}
	return errors.Join(f.Flush(), out.Close())
}

// writeTrace records the node's current as a unit would, block by block, and says what is in it as an analysis would.
func writeTrace(dir, name string, o Drain) (*record.Drain, error) {
	signals := []trace.Signal{{Name: "i", Unit: "A", Node: "i(node.supply)", From: "smu.1", Ranges: []trace.Range{
		{Full: 10e-6, Inputs: "smu ch1 amps 10 uA", Gain: 2e-4, Offset: 1e-9}, {Full: 1e-3, Inputs: "smu ch1 amps 1 mA", Gain: 2e-4, Offset: 5e-8}, {Full: 0.2, Inputs: "smu ch1 amps 200 mA", Gain: 3e-4, Offset: 1e-5}}}}
	if !o.Alone {
		signals = append(signals, trace.Signal{Name: "v", Unit: "V", Node: "v(node.supply)", From: "smu.1", Ranges: []trace.Range{{Full: 6, Inputs: "smu ch1 volts 6 V", Gain: 1e-4, Offset: 3e-4}}})
	}
	w, err := trace.Create(filepath.Join(dir, record.TracesFolder), trace.Head{Name: name, Start: noon, IntervalSeconds: o.Interval, Signals: signals})
	if err != nil {
		return nil, err
	}
	n := int64(math.Round(o.Seconds / o.Interval))
	g := newNode(o, n)
	const block = 1 << 16
	s := trace.Samples{Values: make([][]float32, len(signals)), Runs: make([][]trace.Run, len(signals))}
	for k := range s.Values {
		s.Values[k] = make([]float32, block)
	}
	buffer := s.Values
	for at := int64(0); at < n; {
		end := min(n, at+block)
		for _, gap := range g.gaps {
			if at < gap.Start {
				end = min(end, gap.Start)
			} else if at < gap.Start+gap.Count {
				at, end = gap.Start+gap.Count, min(n, gap.Start+gap.Count+block)
			}
		}
		s.Start, s.Count = at, int(end-at)
		for k := range buffer {
			s.Values[k] = buffer[k][:s.Count]
		}
		g.fill(&s)
		if err := w.Append(&s); err != nil {
			return nil, err
		}
		at = end
	}
	counted := g.coulombs
	state := trace.Statement{Expected: n, Handovers: int64(g.handovers), CoulombsCounted: counted * (1 + 2e-7), CountedBy: "smu.1", Complete: len(g.gaps) == 0}
	if len(g.gaps) > 0 {
		state.Why = []string{"samples are missing in 2 places"}
	}
	if err := w.Finish(state); err != nil {
		return nil, err
	}
	return g.found(name), nil
}
