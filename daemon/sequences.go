package daemon

import (
	"context"
	"io/fs"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"fourwire/daemon/access"
	"fourwire/daemon/api"
)

const maxSequences = 500

// stamped is what was found out about a file that has not changed since.
type stamped struct {
	bytes    int64
	modified time.Time
	sequence api.Sequence
}

// Sequences lists the sequences folder.
func (d *Daemon) Sequences(ctx context.Context) (api.Sequences, error) {
	out := api.Sequences{Sequences: []api.Sequence{}}
	if d.config.Sequences == "" {
		return out, nil
	}
	root, err := os.OpenRoot(d.config.Sequences)
	if err != nil {
		return out, err
	}
	defer func() { _ = root.Close() }() // it was only read
	err = fs.WalkDir(root.FS(), ".", func(name string, e fs.DirEntry, err error) error {
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil:
			return nil // what cannot be read is not listed
		case e.IsDir() && name != "." && strings.HasPrefix(e.Name(), "."):
			return fs.SkipDir
		case !e.Type().IsRegular() || !fileName(e.Name()) || len(out.Sequences) >= maxSequences:
			return nil
		}
		info, err := e.Info()
		if err != nil {
			return nil
		}
		s, ok := d.described(name, info)
		if ok {
			out.Sequences = append(out.Sequences, s)
		}
		return nil
	})
	return out, err
}

// described is what is known of a file of the sequences folder; ok is false where it is no sequence.
func (d *Daemon) described(name string, info fs.FileInfo) (api.Sequence, bool) {
	d.mu.Lock()
	known, ok := d.read[name]
	d.mu.Unlock()
	if ok && known.bytes == info.Size() && known.modified.Equal(info.ModTime()) {
		return known.sequence, known.sequence.Name != ""
	}
	fresh := stamped{info.Size(), info.ModTime(), api.Sequence{}}
	if text, err := d.sequenceFile(name); err == nil && isSequence(text) {
		fresh.sequence = d.describe(name, text)
	}
	d.mu.Lock()
	d.read[name] = fresh
	d.mu.Unlock()
	return fresh.sequence, fresh.sequence.Name != ""
}

// isSequence tells whether a file says that it is one.
func isSequence(text []byte) bool {
	for _, line := range strings.Split(string(text), "\n") {
		if line = strings.TrimSpace(line); line == "" || strings.HasPrefix(line, "#") || line == "---" {
			continue
		}
		rest, ok := strings.CutPrefix(line, "fourwire:")
		return ok && strings.HasPrefix(strings.Trim(strings.TrimSpace(rest), `"'`), "sequence/")
	}
	return false
}

func (d *Daemon) describe(name string, text []byte) api.Sequence {
	below := path.Dir(name)
	c := d.config.Desk.Check(Order{Sequence: path.Base(name)}, text, func(other string) ([]byte, error) {
		return d.sequenceFile(filepath.ToSlash(filepath.Join(below, filepath.FromSlash(other))))
	})
	return summary(name, c)
}

// Check says what would become of a job as it is set, without taking it in.
func (d *Daemon) Check(_ context.Context, who access.Who, s api.Submission) (api.Sequence, error) {
	_, order, err := d.plain(who, s)
	if err != nil {
		return api.Sequence{}, err
	}
	text, file, err := d.source(s, &order)
	if err != nil {
		return api.Sequence{}, err
	}
	name := s.Sequence
	if name == "" {
		name = order.Sequence
	}
	return summary(name, d.config.Desk.Check(order, text, file)), nil
}

func summary(name string, c Checked) api.Sequence {
	s := api.Sequence{Name: name, Title: c.Title, About: c.About, Params: c.Params, Needs: c.Needs, Planned: c.Planned, Predicted: c.Predicted, Fit: c.Fit, Instruments: c.Instruments, Findings: c.Findings}
	if c.Wrong {
		s.Fit = "wrong"
	}
	if s.Params == nil {
		s.Params = []api.Param{}
	}
	if s.Needs == nil {
		s.Needs = []api.Need{}
	}
	if s.Instruments == nil {
		s.Instruments = []string{}
	}
	return s
}

// Sequence gives one file of the sequences folder with its text.
func (d *Daemon) Sequence(_ context.Context, name string) (api.Sequence, error) {
	text, err := d.sequenceFile(name)
	if err != nil || !isSequence(text) || !fileName(path.Base(name)) {
		return api.Sequence{}, api.Refuse(http.StatusNotFound, "the sequences folder has no such sequence", "GET /api/sequences lists them")
	}
	s := d.describe(name, text)
	s.Text = string(text)
	return s, nil
}
