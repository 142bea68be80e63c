package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"fourwire/daemon/api"
	"fourwire/daemon/queue"
	"fourwire/record"
)

const (
	fetchWithin  = 30 * time.Second // while somebody waits for it
	stagingStart = ".from-lab-"
)

// Folder is where a record of this daemon is.
func (m member) Folder(id string) (string, error) {
	if !recordID(id) {
		return "", fs.ErrNotExist
	}
	dir := filepath.Join(m.d.config.Records, id)
	if _, _, err := m.d.stampOf(id); err != nil {
		return "", err
	}
	if record.InUse(dir) {
		return "", fmt.Errorf("%s: %w", id, record.ErrBusy)
	}
	return dir, nil
}

// Copied tells whether a record is here, or has a name that none can have. One that a job went on in is here once that has been noted.
func (m member) Copied(j queue.Job) bool {
	id := j.Record()
	if !recordID(id) || uuid.Validate(j.ID) != nil || j.Holder == m.d.name() {
		return true
	}
	if j.Resumes != "" {
		_, err := os.Lstat(m.d.wentOn(j.ID))
		return err == nil
	}
	return m.d.has(id)
}

func (d *Daemon) has(id string) bool {
	_, _, err := d.stampOf(id)
	return err == nil
}

// wentOn is where it is noted that the copy of a record is as a job left it that went on in it.
func (d *Daemon) wentOn(job string) string { return filepath.Join(d.config.State, "copies", job) }

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

// File takes in a record that was fetched: it holds every file against the hashes of the record, and moves the folder to the others, in place of an
// earlier copy.
func (m member) File(j queue.Job, dir string) error {
	d, id := m.d, j.Record()
	checked, err := record.Check(dir)
	if err != nil {
		return err
	}
	place := filepath.Join(d.config.Records, id)
	if d.has(id) {
		old := dir + ".old"
		if err := os.Rename(place, old); err != nil {
			return err
		}
		defer func() { _ = os.RemoveAll(old) }() // what is left is removed at the next start
	}
	if err := os.Rename(dir, place); err != nil {
		return err
	}
	rec, err := record.Open(place)
	if err != nil {
		return err
	}
	d.file(j.ID, rec)
	if j.Resumes != "" {
		note := d.wentOn(j.ID)
		if err := os.MkdirAll(filepath.Dir(note), 0o700); err != nil {
			return err
		}
		if err := os.WriteFile(note, nil, 0o600); err != nil {
			return err
		}
	}
	if !checked.Whole {
		d.log.Warn().Str("record", id).Int("differences", len(checked.Differences)).Msg("a record of the lab is not whole; it arrived as it was sent")
	}
	d.log.Info().Str("record", id).Bool("whole", checked.Whole).Msg("record fetched from the lab's store")
	return nil
}

// fetchMissing takes a record from the lab's store where somebody asks for one that another member has copied there.
func (d *Daemon) fetchMissing(id string) {
	if d.lab == nil || !recordID(id) || d.has(id) {
		return
	}
	for _, j := range d.lab.Jobs() {
		if j.Record() != id || !j.Copied {
			continue
		}
		ctx, cancel := d.clock.WithTimeout(context.Background(), fetchWithin)
		defer cancel()
		if err := d.lab.Fetch(ctx, j); err != nil {
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
