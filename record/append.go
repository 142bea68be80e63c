package record

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"github.com/rs/zerolog"

	"fourwire/internal/clock"
)

// Log appends lines to the log of a record that another process has started: whole lines, behind whatever is there. It is for whoever steps
// in when that process is gone.
type Log struct{ w *Writer }

// OpenLog opens the log of the record in dir. Its times count from the start that the log states.
func OpenLog(dir string, c clock.Clock) (*Log, error) {
	started, torn, err := startedAt(filepath.Join(dir, LogFile))
	if err != nil {
		return nil, fmt.Errorf("record %s: %w", dir, err)
	}
	w := &Writer{dir: dir, clock: clock.Or(c), started: started, manifest: Manifest{Started: started}, unsealed: true}
	f, err := openAppend(filepath.Join(dir, LogFile))
	if err != nil {
		return nil, fmt.Errorf("record: %w", err)
	}
	w.events = &appended{name: LogFile, f: f, sum: newTally()}
	if torn {
		if _, err := w.events.Write([]byte("\n")); err != nil {
			return nil, errors.Join(fmt.Errorf("record: %w", err), f.Close())
		}
	}
	if lock, err := lockRecord(dir); err == nil { // a run that stands still may have it
		w.lock = lock
	}
	w.log = zerolog.New(w.events)
	return &Log{w}, nil
}

// Event appends one line.
func (l *Log) Event(e Event) error { return l.w.Event(e) }

// Close closes the file.
func (l *Log) Close() error { return l.w.Close() }

// startedAt reads when a run started from the first line of its log, and whether the last line is torn.
func startedAt(path string) (started time.Time, torn bool, err error) {
	f, err := readInside(filepath.Dir(path), filepath.Base(path))
	if err != nil {
		return time.Time{}, false, err
	}
	defer f.Close()
	first, err := bufio.NewReader(io.LimitReader(f, maxLine)).ReadBytes('\n')
	if err != nil {
		return time.Time{}, false, fmt.Errorf("%s does not begin with the start of a run: %w", LogFile, err)
	}
	var line struct {
		Kind    string    `json:"kind"`
		Started time.Time `json:"started"`
	}
	if err := json.Unmarshal(first, &line); err != nil || line.Kind != kindStart {
		return time.Time{}, false, fmt.Errorf("%s does not begin with the start of a run", LogFile)
	}
	if _, err := f.Seek(-1, io.SeekEnd); err != nil {
		return time.Time{}, false, err
	}
	last := []byte{0}
	if _, err := io.ReadFull(f, last); err != nil {
		return time.Time{}, false, err
	}
	return line.Started, last[0] != '\n', nil
}
