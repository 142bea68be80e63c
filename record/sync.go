package record

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"fourwire/internal/clock"
)

// syncEvery is how often, at most, the files are handed to the disk itself.
const syncEvery = time.Second

// syncer hands the files of a record to the disk while the run goes on. It works by the machine's clock, whatever the clock of the run: power
// is cut in real time.
type syncer struct {
	written chan struct{} // has something in it when something was written
	cancel  context.CancelFunc
	done    chan struct{}
}

func startSyncer(w *Writer) *syncer {
	ctx, cancel := context.WithCancel(context.Background())
	s := &syncer{written: make(chan struct{}, 1), cancel: cancel, done: make(chan struct{})}
	go s.run(ctx, w)
	return s
}

// soon asks for a sync within about a second.
func (s *syncer) soon() {
	if s == nil {
		return
	}
	select {
	case s.written <- struct{}{}:
	default:
	}
}

// stop waits until no sync is under way. The caller must not hold the writer's lock.
func (s *syncer) stop() {
	if s == nil {
		return
	}
	s.cancel()
	<-s.done
}

func (s *syncer) run(ctx context.Context, w *Writer) {
	defer close(s.done)
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.written:
		}
		if clock.Real().Sleep(ctx, syncEvery) != nil {
			return
		}
		w.syncDirty()
	}
}

// syncDirty syncs what was written to since the last time. The lock is not held meanwhile: a slow disk must not hold up a run.
func (w *Writer) syncDirty() {
	w.mu.Lock()
	var dirty []*appended
	for _, f := range w.growing() {
		if f.dirty {
			f.dirty = false
			dirty = append(dirty, f)
		}
	}
	traces := slices.Collect(maps.Values(w.traces))
	w.mu.Unlock()
	for _, t := range traces { // before the log, as everything that it tells of
		if err := t.Sync(); err != nil {
			w.mu.Lock()
			if w.wireErr == nil {
				w.wireErr = err
			}
			w.mu.Unlock()
		}
	}
	for _, f := range dirty {
		err := f.sync()
		if err == nil {
			continue
		}
		w.mu.Lock()
		if w.wireErr == nil {
			w.wireErr = fmt.Errorf("record %s cannot be handed to the disk: %w", f.name, full(err))
		}
		w.mu.Unlock()
	}
}
