package reporttest

import (
	"errors"
	"math"
	"path/filepath"
	"time"

	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/record/trace"
)

// WriteCapture makes the record of a load transient in dir, the same bytes every time: a droop of 60 mV and 120 us beside a step of a current, and one capture
// whose event did not come. A hostile one has texts that try to be markup.
func WriteCapture(dir string, hostile bool) error {
	v := clock.NewVirtual(noon)
	text := ""
	if hostile {
		text = HostileText
	}
	w, err := record.Create(dir, record.Start{ID: "0195565c-3c00-7000-8000-0000000ca970", Tool: "fourwire 0.1.0", Title: "Load transient", Sequence: "load-transient.yaml", Simulated: true,
		Bench: record.Bench{File: "bench.yaml", Title: "Bench", AmbientKelvin: 296.15}, Clock: v})
	if err != nil {
		return err
	}
	fail := func(err error) error { return errors.Join(err, w.Close()) }
	if err := w.Columns([]record.Column{{Name: "droop", Kind: record.Derived, Dim: quantity.Voltage, Expr: "droop of vo in edge"}}, false); err != nil {
		return fail(err)
	}
	head := trace.Head{Name: "edge", Start: noon, IntervalSeconds: 2e-6, Trigger: 500, Signals: []trace.Signal{
		{Name: "vo", Unit: "V", Node: "v(dut.out)" + text, From: "sink", Ranges: []trace.Range{{Full: 8, Gain: 1e-4, Offset: 1e-3}}},
		{Name: "io", Unit: "A", Node: "i(dut.out)", From: "sink", Ranges: []trace.Range{{Full: 3, Gain: 1e-4, Offset: 1e-3}}}}}
	t, err := trace.Create(filepath.Join(dir, record.TracesFolder), head)
	if err != nil {
		return fail(err)
	}
	const points = 2500
	s := trace.Samples{Count: points, Values: [][]float32{make([]float32, points), make([]float32, points)}, Runs: [][]trace.Run{{{}}, {{}}}}
	for k := range points {
		at := float64(k-500) * 2e-6
		s.Values[0][k], s.Values[1][k] = 5, 0.5
		if at >= 0 {
			s.Values[0][k], s.Values[1][k] = float32(5-0.2*math.Exp(-at/40e-6)*math.Sin(at/60e-6)), float32(math.Min(2.5, 0.5+at*1e5))
		}
	}
	if err := t.Append(&s); err != nil {
		return fail(err)
	}
	if err := t.Finish(trace.Statement{Expected: points, Complete: true, CoulombsReceived: math.NaN(), CoulombsCounted: math.NaN()}); err != nil {
		return fail(err)
	}
	nan := math.NaN()
	c := record.Capture{Trace: "edge", Trigger: "io rises above 1.5 A" + text, How: "sink sees it" + text, Where: "vin 9 V", Skew: 5e-6,
		Signals: []record.CapturedSignal{
			{Name: "vo", Unit: "V", Node: "v(dut.out)" + text, From: "sink" + text, Bandwidth: 1e5, Skew: 1e-7, Range: 8, Step: 2.7e-4, LeadOhm: 0.03, Corrected: true},
			{Name: "io", Unit: "A", Node: "i(dut.out)", From: "sink", Bandwidth: nan, Skew: nan, Range: 3, Step: nan}},
		Figures: []record.Figures{{Kind: "transient", Of: "vo", Cause: "50 % of io", List: []record.Figure{
			{What: "droop", Name: "droop", Unit: "V", Value: 0.0647, U: 0.0021, Biggest: "noise" + text},
			{What: "recovery", Name: "recovery", Unit: "s", Value: nan, U: nan, Missing: "it never comes back" + text},
			{What: "shift", Unit: "V", Value: 0, U: 0.0004}},
			Marks: []record.Mark{{Text: "cause" + text, At: 10e-6, To: nan, Low: nan, High: nan}, {Text: "band", At: 10e-6, To: nan, Low: 4.95, High: 5.05},
				{Text: "droop", At: 40e-6, To: nan, Low: 4.935, High: nan}, {Text: "before", At: nan, To: nan, Low: 5, High: nan}},
			Notes: []string{"peaks are rounded off" + text}}},
	}
	missed := record.Capture{Trace: "edge-2", Trigger: "io rises above 1.5 A", How: "sink sees it", Where: "vin 12 V",
		Missed: `edge-2 was not captured: "io rises above 1.5 A" did not come about within 2 s` + text, Signals: []record.CapturedSignal{}, Figures: []record.Figures{}}
	for _, one := range []record.Capture{c, missed} {
		if err := save(filepath.Join(dir, record.AnalysisFolder, one.Trace+".capture.json"), one); err != nil {
			return fail(err)
		}
	}
	p := record.Point{Number: 1, At: 20 * time.Millisecond, Valid: true, Settled: true, Cells: map[string]record.Cell{"droop": {SI: 0.0647, U: 0.0021}}}
	if err := w.Point(p); err != nil {
		return fail(err)
	}
	return w.Finish(record.End{Outcome: record.Pass})
}
