package record_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"fourwire/internal/clock"
	"fourwire/record"
)

// disk holds so many bytes and then is full: the write that reaches the end puts a part of itself there, as a real one does.
type disk struct {
	mu     sync.Mutex
	room   int
	synced chan string
}

type onDisk struct {
	record.Store
	name string
	disk *disk
}

func (d *disk) open(path string) (record.Store, error) {
	f, err := record.OpenStore(path)
	return &onDisk{f, filepath.Base(path), d}, err
}

func (f *onDisk) Write(p []byte) (int, error) {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	n := min(len(p), f.disk.room)
	f.disk.room -= n
	n, err := f.Store.Write(p[:n])
	if err == nil && n < len(p) {
		err = &os.PathError{Op: "write", Path: f.name, Err: syscall.ENOSPC}
	}
	return n, err
}

func (f *onDisk) Sync() error {
	if f.disk.synced != nil {
		f.disk.synced <- f.name
	}
	return nil
}

// Wherever a disk gets full, what was written before is kept as whole lines, the error says what to do, and the record goes on once there
// is room.
func TestAFullDisk(t *testing.T) {
	ended := false
	for room := 700; !ended; room += 401 {
		dir := filepath.Join(t.TempDir(), "r")
		v := clock.NewVirtual(noon)
		d := &disk{room: room}
		w, err := record.CreateOn(dir, start(v), d.open)
		if err != nil {
			var full *record.FullError
			if !errors.As(err, &full) {
				t.Fatalf("room for %d bytes: %v", room, err)
			}
			continue
		}
		kept := 0
		err = w.Columns(columns, false)
		for n := 1; n <= 25 && err == nil; n++ {
			w.Wire(v.Now(), "dmm-in", "sim:dmm-in", true, []byte("READ?\n"))
			if err = w.Point(point(n)); err == nil {
				kept = n
			}
		}
		ended = err == nil
		if err != nil {
			var full *record.FullError
			if !errors.As(err, &full) || !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), "make room") {
				t.Fatalf("room for %d bytes: %v", room, err)
			}
		}
		_ = w.Close() // it has no room either
		for _, name := range []string{record.PointsFile, record.WireFile, record.LogFile} {
			data, err := os.ReadFile(filepath.Join(dir, name))
			if err == nil && len(data) > 0 && data[len(data)-1] != '\n' {
				t.Errorf("room for %d bytes: %s ends with %q", room, name, data[max(0, len(data)-10):])
			}
		}
		if c := check(t, dir); !c.Whole {
			t.Errorf("room for %d bytes: %+v", room, c.Differences)
		}
		w, on := resumed(t, dir, clock.NewVirtual(later))
		// the point during which the disk got full may be there: its row was written, its seal was not
		if len(on.Rows) < kept || len(on.Rows) > kept+1 {
			t.Errorf("room for %d bytes: %d rows, %d were told of", room, len(on.Rows), kept)
		}
		if err := w.Finish(record.End{}); err != nil {
			t.Fatal(err)
		}
		if c := check(t, dir); !c.Whole {
			t.Errorf("room for %d bytes, gone on: %+v", room, c.Differences)
		}
	}
}

// What was written is handed to the disk without being asked for, the log last: a seal on the disk has what it covers before it.
func TestWhatWasWrittenIsHandedToTheDisk(t *testing.T) {
	d := &disk{room: 1 << 30, synced: make(chan string)}
	w, err := record.CreateOn(filepath.Join(t.TempDir(), "r"), start(clock.NewVirtual(noon)), d.open)
	if err != nil {
		t.Fatal(err)
	}
	w.Wire(noon, "dmm-in", "sim:dmm-in", true, []byte("READ?\n"))
	if err := errors.Join(w.Columns(columns, false), w.Point(point(1))); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{record.PointsFile, record.WireFile, record.LogFile} {
		if got := <-d.synced; got != want {
			t.Errorf("%s was synced, want %s", got, want)
		}
	}
	ended := make(chan error)
	go func() { ended <- w.Finish(record.End{}) }()
	for n := 0; ; {
		select {
		case <-d.synced:
			n++
		case err := <-ended:
			if err != nil || n != 3 {
				t.Errorf("%d files synced at the end, %v", n, err)
			}
			return
		}
	}
}
