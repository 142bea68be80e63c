package report

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"strconv"

	"fourwire/record"
)

// mostEvents is how many events are read.
const mostEvents = 1 << 20

// Event is one burst of activity of a trace.
type Event struct{ Start, Seconds, Coulombs float64 }

// Events gives all events of a trace in order of time, from the record's own list of them; where that is not there or damaged, those of the
// analysis, which are not more than some thousands.
func (t *Trace) Events(rec *record.Record) []Event {
	if t.Drain == nil {
		return nil
	}
	out, err := readEvents(rec.Dir, path.Join(record.AnalysisFolder, t.Name+".events.csv"))
	if err == nil {
		return out
	}
	out = nil
	for _, e := range t.Drain.Events {
		out = append(out, Event{e.Start, e.Seconds, e.Coulombs})
	}
	return out
}

func readEvents(dir, name string) ([]Event, error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	if info, err := root.Lstat(name); err != nil || !info.Mode().IsRegular() {
		return nil, fs.ErrNotExist
	}
	f, err := root.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	r := csv.NewReader(bufio.NewReaderSize(f, 1<<16))
	r.ReuseRecord = true
	head, err := r.Read()
	if err != nil {
		return nil, err
	}
	column := map[string]int{}
	for i, h := range head {
		column[h] = i
	}
	var at [3]int
	for i, h := range []string{"start [s]", "duration [s]", "charge [C]"} {
		n, ok := column[h]
		if !ok {
			return nil, fmt.Errorf("it has no column %q", h)
		}
		at[i] = n
	}
	var out []Event
	for len(out) < mostEvents {
		row, err := r.Read()
		if err == io.EOF {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		var x [3]float64
		for i := range x {
			if x[i], err = strconv.ParseFloat(row[at[i]], 64); err != nil {
				break
			}
		}
		if err == nil {
			out = append(out, Event{x[0], x[1], x[2]})
		}
	}
	return out, nil
}
