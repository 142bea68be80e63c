package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"fourwire/daemon/api"
	"fourwire/daemon/queue"
	"fourwire/record"
)

const (
	fetchWithin  = 30 * time.Second // while somebody waits for it
	stagingStart = ".from-lab-"
)

// Folder is where a record of this daemon is.
func (m member) Folder(id string) (string, bool) {
	dir := filepath.Join(m.d.config.Records, id)
	if !recordID(id) || record.InUse(dir) {
		return "", false
	}
	_, _, err := m.d.stampOf(id)
	return dir, err == nil
}

// Copied tells whether a record is here, or has a name that none can have.
func (m member) Copied(id string) bool {
	if !recordID(id) {
		return true
	}
	_, _, err := m.d.stampOf(id)
	return err == nil
}

// Staging makes an empty folder beside the records.
func (m member) Staging(id string) (string, error) {
	if !recordID(id) {
		return "", fmt.Errorf("%.60q is no name of a record", id)
	}
	return os.MkdirTemp(m.d.config.Records, stagingStart+"*")
}

// clearStaging removes what was being fetched when the daemon ended.
func (d *Daemon) clearStaging() {
	left, err := filepath.Glob(filepath.Join(d.config.Records, stagingStart+"*"))
	for _, dir := range left {
		err = errors.Join(err, os.RemoveAll(dir))
	}
	if err != nil {
		d.log.Warn().Err(err).Msg("what is left of records that were being fetched")
	}
}

// File takes in a record that was fetched: it holds every file against the hashes of the record, and moves the folder to the others.
func (m member) File(id, dir string) error {
	d := m.d
	checked, err := record.Check(dir)
	if err != nil {
		return err
	}
	if err := os.Rename(dir, filepath.Join(d.config.Records, id)); err != nil {
		return err
	}
	rec, err := record.Open(filepath.Join(d.config.Records, id))
	if err != nil {
		return err
	}
	job := ""
	for _, j := range d.lab.Jobs() {
		if j.Record() == id {
			job = j.ID
		}
	}
	d.file(job, rec)
	if !checked.Whole {
		d.log.Warn().Str("record", id).Int("differences", len(checked.Differences)).Msg("a record of the lab is not whole; it arrived as it was sent")
	}
	d.log.Info().Str("record", id).Bool("whole", checked.Whole).Msg("record fetched from the lab's store")
	return nil
}

// fetchMissing takes a record from the lab's store where somebody asks for one that another member has copied there.
func (d *Daemon) fetchMissing(id string) {
	if d.lab == nil || (member{d}).Copied(id) {
		return
	}
	for _, j := range d.lab.Jobs() {
		if j.Record() != id || !j.Copied {
			continue
		}
		ctx, cancel := d.clock.WithTimeout(context.Background(), fetchWithin)
		defer cancel()
		if err := d.lab.Fetch(ctx, id); err != nil {
			d.log.Warn().Err(err).Str("record", id).Msg("a record could not be fetched from the lab's store")
		}
		return
	}
}

// told is an event on its way to the hubs.
type told struct {
	Kind string          `json:"kind"`
	Job  string          `json:"job,omitempty"`
	Data json.RawMessage `json:"data"`
}

const toldAtOnce = 64

// tellLab passes events on to those who watch at the hubs, until ctx ends. How a job stands is told by its entry.
func (d *Daemon) tellLab(ctx context.Context) {
	cursor, _ := d.events.From("")
	for ctx.Err() == nil {
		list, missed := d.events.Next(ctx, &cursor, toldAtOnce)
		var out []told
		last := d.events.Last()
		if missed {
			out = append(out, told{Kind: "reset", Data: json.RawMessage(`{"kind":"reset"}`)})
		}
		for _, e := range list {
			if e.Value.Kind == "point" || e.Value.Kind == "log" || e.Value.Kind == "off" {
				out = append(out, told{e.Value.Kind, e.Value.Job, e.Value.Data})
			}
			last = strconv.FormatUint(e.Number, 10)
		}
		if len(out) == 0 {
			continue
		}
		data, err := json.Marshal(out)
		if err == nil {
			err = d.lab.Publish(ctx, last, data)
		}
		if err != nil && ctx.Err() == nil {
			d.log.Warn().Err(err).Msg("events could not be passed on to the lab")
		}
	}
}

// hear takes events of another member in, for those who watch here.
func (d *Daemon) hear(from string, data []byte) {
	var list []told
	if json.Unmarshal(data, &list) != nil {
		return
	}
	for _, t := range list {
		var e api.Event
		if json.Unmarshal(t.Data, &e) != nil {
			continue
		}
		switch t.Kind {
		case "point", "log":
			d.progressAt(from, t, e)
		case "off":
			if e.Off == nil {
				continue
			}
			e.Off.Text = from + ": " + e.Off.Text
		case "reset":
			api.Publish(d.events, api.Event{Time: d.clock.Now().UTC(), Kind: "reset"})
			continue
		default:
			continue
		}
		e.Kind, e.Job, e.State, e.Bench = t.Kind, t.Job, nil, nil
		api.Publish(d.events, e)
	}
}

// progressAt notes how far a job of another member has come.
func (d *Daemon) progressAt(from string, t told, e api.Event) {
	j, ok := d.lab.Job(t.Job)
	if !ok || j.Holder != from {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	p := d.runs[t.Job]
	if p == nil {
		if len(d.runs) > 500 {
			d.runs = map[string]*progress{}
		}
		p = &progress{outputs: map[string]api.Output{}}
		d.runs[t.Job] = p
	}
	if e.Point != nil {
		p.points = max(p.points, e.Point.N)
	} else if strings.TrimSpace(e.Text) != "" {
		p.text = e.Text
	}
}

// nothing is the store of jobs of a daemon that has no bench.
type nothing struct{}

func (nothing) Load(context.Context) ([]queue.Job, error)       { return nil, nil }
func (nothing) Save(context.Context, *queue.Job) error          { return errNoBench }
func (nothing) Get(context.Context, string) (queue.Job, error)  { return queue.Job{}, queue.ErrNotFound }
func (nothing) Delete(context.Context, string) error            { return nil }
func (nothing) SaveInput(context.Context, string, []byte) error { return errNoBench }
func (nothing) Input(context.Context, string) ([]byte, error)   { return nil, queue.ErrNotFound }

var errNoBench = errors.New("a hub has no bench")
