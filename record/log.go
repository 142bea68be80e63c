package record

import (
	"math"
	"sort"
	"time"

	"github.com/rs/zerolog"
)

// The kinds of log line that this package writes itself; a reader of an unfinished record needs them.
const (
	kindStart       = "start"
	kindInstruments = "instruments"
	kindColumns     = "columns"
	kindVerdict     = "verdict"
	kindResult      = "result"
	kindEnd         = "end"
	kindInput       = "input"
	kindHeld        = "held"
	kindCut         = "cut"
	kindResumed     = "resumed"
	kindKept        = "kept"
	kindRecording   = "recording"
)

// lineNames are the names that a log line uses itself.
var lineNames = map[string]bool{"level": true, "time": true, "t": true, "kind": true, "message": true}

// entry appends one line to the log. The caller holds the lock.
func (w *Writer) entry(level, kind, text string, fields map[string]any) error {
	lv, err := zerolog.ParseLevel(level)
	if err != nil || level == "" {
		lv = zerolog.InfoLevel
	}
	at := w.clock.Since(w.started)
	caught := &catch{to: w.events}
	logger := w.log.Output(caught)
	e := logger.WithLevel(lv)
	e.Str("time", w.manifest.Started.Add(at).Format(time.RFC3339Nano)).Float64("t", at.Seconds())
	if kind != "" {
		e.Str("kind", kind)
	}
	names := make([]string, 0, len(fields))
	for name := range fields {
		if !lineNames[name] {
			names = append(names, name)
		}
	}
	sort.Strings(names)
	for _, name := range names {
		if x, ok := fields[name].(float64); ok && (math.IsNaN(x) || math.IsInf(x, 0)) {
			e.Interface(name, nil)
			continue
		}
		e.Interface(name, fields[name])
	}
	e.Msg(text)
	if caught.err != nil {
		return caught.err
	}
	w.syncing.soon()
	return w.takeWireErr()
}

// catch keeps the error of a write that zerolog only reports elsewhere.
type catch struct {
	to  interface{ Write([]byte) (int, error) }
	err error
}

func (c *catch) Write(p []byte) (int, error) {
	_, c.err = c.to.Write(p)
	return len(p), nil // zerolog would tell the terminal
}

func (w *Writer) takeWireErr() error {
	err := w.wireErr
	w.wireErr = nil
	return err
}
