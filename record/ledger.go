package record

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"slices"
	"strings"
	"time"

	"fourwire/internal/ledger"
)

// LedgerFile is the account of the time of a run.
const LedgerFile = "ledger.json"

// ledgerVersion is the first field of the file.
const ledgerVersion = "ledger/1"

// maxLedger is the largest account that is read, in bytes, and maxSpans the most spans in it.
const (
	maxLedger = 16 << 20
	maxSpans  = 100_000
)

// TimeLedger says where the time of a run went: ledger.json. The seconds of its spans add up to WallSeconds.
type TimeLedger struct {
	Format      string                     `json:"fourwire"`
	WallSeconds float64                    `json:"wall_s"`
	Virtual     bool                       `json:"virtual,omitempty"` // by the clock of a simulated bench, which stands still while the program computes
	Covers      []LedgerPart               `json:"covers"`            // more than one: the run went on
	Missing     int                        `json:"missing,omitempty"` // so many earlier parts of the run have left no account
	Spans       []ledger.Span              `json:"spans"`
	Steps       map[string]string          `json:"steps,omitempty"` // what the step at a place does
	Instruments map[string]InstrumentTimes `json:"instruments,omitempty"`
	Predicted   []PredictedTime            `json:"predicted,omitempty"` // what the whole run was to take, by kind
}

// LedgerPart is one stretch of a run, from its start, or from where it went on, until it ended.
type LedgerPart struct {
	Began       time.Time `json:"began"` // by the clock of the bench
	WallSeconds float64   `json:"wall_s"`
	After       int       `json:"after,omitempty"` // points that were there already
}

// InstrumentTimes is how fast an instrument was found to be; nil: not known.
type InstrumentTimes struct {
	Wire       *float64 `json:"wire_s,omitempty"`       // an exchange on its way: for TCP the time of connecting, for a serial line that of its bits
	Processing *float64 `json:"processing_s,omitempty"` // from a plain query until its answer, without the wire; median
	Queries    int      `json:"queries,omitempty"`      // so many
	Up         *float64 `json:"output_up_s,omitempty"`  // from the command until a reading was inside its band; an upper limit
	UpAfter    *float64 `json:"output_up_after_s,omitempty"`
	Down       *float64 `json:"output_down_s,omitempty"` // until the node was found discharged; an upper limit
}

// PredictedTime is what a run was to spend on one kind of span.
type PredictedTime struct {
	Kind    ledger.Kind `json:"kind"`
	Seconds float64     `json:"seconds"`
}

// PutLedger keeps the account of the time. Where the record has one from before its run went on, both are taken together.
func (w *Writer) PutLedger(t TimeLedger) error {
	t.Format = ledgerVersion
	if w.resumed {
		before, err := ReadLedger(w.dir)
		if err == nil && before != nil {
			t = together(*before, t)
		}
		w.mu.Lock()
		t.Missing = max(0, len(w.manifest.Resumed)+1-len(t.Covers))
		w.mu.Unlock()
	}
	t.Covers, t.Spans = orEmpty(t.Covers), orEmpty(t.Spans)
	data, err := json.MarshalIndent(t, "", " ")
	if err != nil {
		return fmt.Errorf("record %s: %w", LedgerFile, err)
	}
	return w.put(LedgerFile, func(to io.Writer) error {
		_, err := to.Write(append(data, '\n'))
		return err
	})
}

// together adds what a run took before it went on to what it took since.
func together(a, b TimeLedger) TimeLedger {
	type key struct {
		kind             ledger.Kind
		instrument, step string
	}
	at := map[key]int{}
	var spans []ledger.Span
	for _, s := range slices.Concat(a.Spans, b.Spans) {
		k := key{s.Kind, s.Instrument, s.Step}
		i, ok := at[k]
		if !ok {
			at[k] = len(spans)
			spans = append(spans, s)
			continue
		}
		spans[i].Count += s.Count
		spans[i].Seconds += s.Seconds
	}
	ledger.Sort(spans)
	out := b
	out.WallSeconds, out.Virtual = a.WallSeconds+b.WallSeconds, a.Virtual || b.Virtual
	out.Covers, out.Spans = append(slices.Clone(a.Covers), b.Covers...), spans
	out.Instruments = map[string]InstrumentTimes{}
	for name, x := range b.Instruments {
		out.Instruments[name] = x.or(a.Instruments[name])
	}
	for name, x := range a.Instruments {
		if _, ok := out.Instruments[name]; !ok {
			out.Instruments[name] = x
		}
	}
	return out
}

// or takes what is not known from another.
func (x InstrumentTimes) or(y InstrumentTimes) InstrumentTimes {
	if x.Wire == nil {
		x.Wire = y.Wire
	}
	if x.Processing == nil {
		x.Processing, x.Queries = y.Processing, y.Queries
	}
	if x.Up == nil {
		x.Up, x.UpAfter = y.Up, y.UpAfter
	}
	if x.Down == nil {
		x.Down = y.Down
	}
	return x
}

// ReadLedger reads the account of the time of a record; nil where there is none. One whose numbers cannot be, or that does not add up within
// 1 %, is an error.
func ReadLedger(dir string) (*TimeLedger, error) {
	f, err := readInside(dir, LedgerFile)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", LedgerFile, err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxLedger+1))
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", LedgerFile, err)
	}
	if len(data) > maxLedger {
		return nil, fmt.Errorf("%s is larger than %d bytes", LedgerFile, maxLedger)
	}
	var t TimeLedger
	if err := json.Unmarshal(data, &t); err != nil {
		return nil, fmt.Errorf("%s is no account of time: %w", LedgerFile, err)
	}
	if t.Format != ledgerVersion {
		return nil, fmt.Errorf("%s says %q, this version reads %q", LedgerFile, t.Format, ledgerVersion)
	}
	return &t, t.check()
}

// check refuses what cannot be.
func (t *TimeLedger) check() error {
	if len(t.Spans) > maxSpans {
		return fmt.Errorf("%s has %d spans, more than %d", LedgerFile, len(t.Spans), maxSpans)
	}
	sum := 0.0
	for _, s := range t.Spans {
		if !(s.Seconds >= 0) || s.Count < 0 || strings.TrimSpace(string(s.Kind)) == "" {
			return fmt.Errorf("%s has a span that cannot be: %q of %v s", LedgerFile, s.Kind, s.Seconds)
		}
		sum += s.Seconds
	}
	if !(math.Abs(sum-t.WallSeconds) <= 0.01*t.WallSeconds+1e-6) {
		return fmt.Errorf("%s does not add up: its spans take %.6g s, the run took %.6g s", LedgerFile, sum, t.WallSeconds)
	}
	return nil
}
