package reporttest

import (
	"fourwire/internal/ledger"
	"fourwire/record"
)

// account is where the time of a run of 62.3 s went: half a second of it is waited a hundred times.
func account(o Options) record.TimeLedger {
	wire, fast, slow, up, after, down := 0.3e-3, 4e-3, 21e-3, 0.0235, 0.012, 1.06
	what := "measure vi, ii, vo, io"
	if o.Hostile {
		what = HostileText
	}
	if o.LongText {
		what = "measure " + longNames
	}
	return record.TimeLedger{
		WallSeconds: 62.3, Covers: []record.LedgerPart{{Began: noon, WallSeconds: 40.3}, {Began: noon.Add(3600e9), WallSeconds: 22, After: 41}},
		Spans: []ledger.Span{
			{Kind: ledger.FixedWait, Step: "line.yaml:23:9", Count: 100, Seconds: 50},
			{Kind: ledger.Aperture, Instrument: "dmm-in", Step: "line.yaml:24:9", Count: 100, Seconds: 2},
			{Kind: ledger.Aperture, Instrument: "amm-in", Step: "line.yaml:24:9", Count: 3, Seconds: 0.25},
			{Kind: ledger.Processing, Instrument: "feed-psu", Step: "line.yaml:24:9", Count: 300, Seconds: 2.5},
			{Kind: ledger.Processing, Instrument: "sink-1", Step: "line.yaml:22:9", Count: 200, Seconds: 3},
			{Kind: ledger.Settle, Step: "line.yaml:18:7", Count: 3, Seconds: 1.5},
			{Kind: ledger.Range, Instrument: "amm-in", Step: "line.yaml:24:9", Count: 9, Seconds: 0.4},
			{Kind: ledger.Transfer, Instrument: "feed-psu", Step: "line.yaml:24:9", Count: 600, Seconds: 0.35},
			{Kind: ledger.OutputUp, Instrument: "feed-psu", Step: "line.yaml:17:7", Count: 3, Seconds: 0.1},
			{Kind: ledger.OutputDown, Count: 4, Seconds: 1.2},
			{Kind: ledger.Host, Seconds: 1},
		},
		Steps: map[string]string{"line.yaml:23:9": "wait 500 ms", "line.yaml:24:9": what, "line.yaml:22:9": "load sink iout", "line.yaml:18:7": "settle v(dut.out)", "line.yaml:17:7": "source feed vin 2.5 A"},
		Instruments: map[string]record.InstrumentTimes{
			"feed-psu": {Wire: &wire, Processing: &fast, Queries: 134, Up: &up, UpAfter: &after, Down: &down}, "sink-1": {Wire: &wire, Processing: &slow, Queries: 191}, "dmm-in": {},
		},
		Predicted: []record.PredictedTime{{Kind: ledger.FixedWait, Seconds: 50}, {Kind: ledger.Aperture, Seconds: 2}, {Kind: ledger.Processing, Seconds: 5}, {Kind: ledger.ReadBack, Seconds: 0.1}},
	}
}

const longNames = "the_input_voltage_of_the_converter_behind_the_harness, the_input_current_of_the_converter_behind_the_harness, the_output_voltage"
