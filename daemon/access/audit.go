package access

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"fourwire/internal/clock"
)

// Entry is one line of the audit log.
type Entry struct {
	Time   time.Time `json:"time"`
	Who    string    `json:"who"`
	Role   string    `json:"role"`
	From   string    `json:"from,omitempty"`
	Did    string    `json:"did"` // as in submit, cancel, arm, outputs off, energise, refused
	What   string    `json:"what,omitempty"`
	Detail string    `json:"detail,omitempty"`
}

// Audit is the log of who did what: JSON lines in a file that only grows.
type Audit struct {
	clock clock.Clock

	mu      sync.Mutex // guards what is written
	file    *os.File
	written uint64 // lines

	syncing sync.Mutex // held while the disk is waited for; taken before mu
	synced  uint64     // lines that are on the disk
}

// OpenAudit opens the log. A last line that was torn is ended.
func OpenAudit(path string, c clock.Clock) (*Audit, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return nil, fmt.Errorf("the audit log: %w", err)
	}
	last := make([]byte, 1)
	if info, err := f.Stat(); err == nil && info.Size() > 0 {
		if _, err := f.ReadAt(last, info.Size()-1); err == nil && last[0] != '\n' {
			_, _ = f.Write([]byte("\n"))
		}
	}
	return &Audit{clock: clock.Or(c), file: f}, nil
}

// Add adds a line, which is on the disk when it returns, with all lines before it. Those that come at the same time wait for the disk together.
func (a *Audit) Add(w Who, did, what, detail string) error {
	n, err := a.write(w, did, what, detail)
	if err != nil {
		return err
	}
	a.syncing.Lock()
	defer a.syncing.Unlock()
	if a.synced >= n {
		return nil
	}
	a.mu.Lock()
	all := a.written
	a.mu.Unlock()
	if err := a.file.Sync(); err != nil {
		return err
	}
	a.synced = all
	return nil
}

// Jot adds a line that outlives this process, and a cut in power once a line has been added behind it: for what is on the disk elsewhere, too.
func (a *Audit) Jot(w Who, did, what, detail string) error {
	_, err := a.write(w, did, what, detail)
	return err
}

func (a *Audit) write(w Who, did, what, detail string) (uint64, error) {
	line, err := json.Marshal(Entry{a.clock.Now().UTC(), w.Name, w.Role.String(), w.From, did, what, detail})
	if err != nil {
		return 0, err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if _, err := a.file.Write(append(line, '\n')); err != nil {
		return 0, err
	}
	a.written++
	return a.written, nil
}

const tailBytes = 1 << 20

// Latest gives the last lines, newest first.
func (a *Audit) Latest(most int) ([]Entry, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	info, err := a.file.Stat()
	if err != nil {
		return nil, err
	}
	from := max(0, info.Size()-tailBytes)
	data, err := io.ReadAll(io.NewSectionReader(a.file, from, info.Size()-from))
	if err != nil {
		return nil, err
	}
	lines := bytes.Split(data, []byte("\n"))
	if from > 0 {
		lines = lines[1:]
	}
	out := []Entry{}
	for i := len(lines) - 1; i >= 0 && len(out) < most; i-- {
		var e Entry
		if json.Unmarshal(lines[i], &e) == nil && !e.Time.IsZero() {
			out = append(out, e)
		}
	}
	return out, nil
}

// Close closes the file, all of it on the disk.
func (a *Audit) Close() error { return errors.Join(a.file.Sync(), a.file.Close()) }
