package daemon

import (
	"bytes"
	"encoding/json"
	"io"
	"path/filepath"

	"fourwire/record"
)

// spentTail is how far back in the log of a run is looked for the last word on its time.
const spentTail = 512 << 10

// spentSoFar is where the time of a run that goes on went, by kind, as its log told last; nil where it did not.
func (d *Daemon) spentSoFar(id string) map[string]float64 {
	f, err := d.records.Open(filepath.Join(id, record.LogFile))
	if err != nil {
		return nil
	}
	defer func() { _ = f.Close() }() // it was only read
	info, err := f.Stat()
	if err != nil || !info.Mode().IsRegular() {
		return nil
	}
	data := make([]byte, min(info.Size(), spentTail))
	n, err := f.ReadAt(data, info.Size()-int64(len(data)))
	if err != nil && err != io.EOF {
		return nil
	}
	for data = data[:n]; len(data) > 0; {
		at := bytes.LastIndexByte(data, '\n')
		line := data[at+1:]
		data = data[:max(at, 0)]
		var e struct {
			Kind    string             `json:"kind"`
			Seconds map[string]float64 `json:"seconds"`
		}
		if bytes.Contains(line, []byte(`"spent"`)) && json.Unmarshal(line, &e) == nil && e.Kind == "spent" {
			return e.Seconds
		}
	}
	return nil
}
