package fleet

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go/jetstream"

	"fourwire/daemon/queue"
)

// put writes the entry of a job where it is as it was when it was read, and takes it over here.
func (l *Lab) put(ctx context.Context, j queue.Job) (queue.Job, error) {
	if l.state == nil {
		return j, ErrUnreachable
	}
	data, err := json.Marshal(j)
	if err != nil {
		return j, err
	}
	var rev uint64
	if j.Revision == 0 {
		rev, err = l.state.Create(ctx, "job."+j.ID, data)
	} else {
		rev, err = l.state.Update(ctx, "job."+j.ID, data, j.Revision)
	}
	if err != nil {
		return j, err
	}
	j.Revision = rev
	l.see(j)
	return j, nil
}

// fresh reads the entry of a job from the cluster.
func (l *Lab) fresh(ctx context.Context, id string) (queue.Job, error) {
	entry, err := l.state.Get(ctx, "job."+id)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return queue.Job{}, queue.ErrNotFound
	}
	if err != nil {
		return queue.Job{}, err
	}
	j, ok := decode[queue.Job](entry.Value())
	if !ok || j.ID != id {
		return j, fmt.Errorf("the entry of job %.60q cannot be read", id)
	}
	j.Revision = entry.Revision()
	l.see(j)
	return j, nil
}

// see takes over the entry of a job, unless a later one is known.
func (l *Lab) see(j queue.Job) {
	l.mu.Lock()
	known := l.jobs[j.ID]
	if known.Revision >= j.Revision {
		l.mu.Unlock()
		return
	}
	l.jobs[j.ID] = j
	if j.State.Ended() || j.Holder != "" {
		delete(l.looked, j.ID)
	}
	loaded := l.loaded
	l.mu.Unlock()
	if loaded {
		l.options.Member.Seen(j)
	}
	wake(l.wakeClaim)
	if j.Copied {
		wake(l.wakeFetch)
	}
}

// Submit asks the lab for a job. When it returns without an error the job is kept by most of the cluster's servers.
func (l *Lab) Submit(ctx context.Context, j queue.Job, input []byte) (queue.Job, error) {
	if why := l.Reachable(); why != "" {
		return j, fmt.Errorf("%w: %s", ErrUnreachable, why)
	}
	id, err := uuid.NewV7()
	if err != nil {
		return j, err
	}
	j.ID, j.Submitted, j.State = id.String(), l.clock.Now().UTC(), queue.Queued
	if j.At.After(j.Submitted) || j.Every > 0 {
		j.State = queue.Scheduled
		if j.At.IsZero() {
			j.At = j.Submitted
		}
	}
	if err := l.saveInput(ctx, j.ID, input); err != nil {
		return j, err
	}
	return l.put(ctx, j)
}

// Cancel cancels a job that no bench has taken.
func (l *Lab) Cancel(ctx context.Context, id, who string) (queue.Job, error) {
	if why := l.Reachable(); why != "" {
		return queue.Job{}, fmt.Errorf("%w: %s", ErrUnreachable, why)
	}
	for {
		j, err := l.fresh(ctx, id)
		switch {
		case err != nil:
			return j, err
		case j.State.Ended():
			return j, fmt.Errorf("%w: it is %s", queue.ErrOver, j.State)
		case j.Holder != "":
			return j, ErrFenced
		}
		j.State, j.Reason, j.StoppedBy, j.Ended = queue.Cancelled, "cancelled by "+who, who, l.clock.Now().UTC()
		if j, err = l.put(ctx, j); !conflict(err) {
			return j, err
		}
	}
}

// packed is what is kept of an input: compressed, with its hash ahead.
func packed(input []byte) ([]byte, error) {
	sum := sha256.Sum256(input)
	var b bytes.Buffer
	b.WriteString(hex.EncodeToString(sum[:]))
	z := gzip.NewWriter(&b)
	if _, err := z.Write(input); err != nil {
		return nil, err
	}
	err := z.Close()
	return b.Bytes(), err
}

func unpacked(data []byte) ([]byte, error) {
	if len(data) < 2*sha256.Size {
		return nil, errors.New("it is cut off")
	}
	z, err := gzip.NewReader(bytes.NewReader(data[2*sha256.Size:]))
	if err != nil {
		return nil, err
	}
	input, err := io.ReadAll(io.LimitReader(z, queue.MaxInput+1))
	if err != nil {
		return nil, err
	}
	if len(input) > queue.MaxInput {
		return nil, fmt.Errorf("it has more than %d bytes", queue.MaxInput)
	}
	if sum := sha256.Sum256(input); hex.EncodeToString(sum[:]) != string(data[:2*sha256.Size]) {
		return nil, errors.New("it is not what was submitted: its hash is another")
	}
	return input, nil
}

func (l *Lab) saveInput(ctx context.Context, id string, input []byte) error {
	data, err := packed(input)
	if err != nil {
		return err
	}
	n := 0
	for part := range slices.Chunk(data, inputPart) {
		// the first byte says whether another part follows
		more := byte(0)
		if (n+1)*inputPart < len(data) {
			more = 1
		}
		if _, err := l.inputs.Put(ctx, fmt.Sprint(id, ".", n), append([]byte{more}, part...)); err != nil {
			return fmt.Errorf("the files of job %s: %w", id, err)
		}
		n++
	}
	return nil
}

// Input reads what a job is run from.
func (l *Lab) Input(ctx context.Context, id string) ([]byte, error) {
	if l.inputs == nil || uuid.Validate(id) != nil {
		return nil, queue.ErrNotFound
	}
	var data []byte
	for n := 0; len(data) <= 2*queue.MaxInput; n++ {
		entry, err := l.inputs.Get(ctx, fmt.Sprint(id, ".", n))
		if errors.Is(err, jetstream.ErrKeyNotFound) {
			return nil, queue.ErrNotFound
		}
		if err != nil {
			return nil, err
		}
		part := entry.Value()
		if len(part) == 0 {
			break
		}
		if data = append(data, part[1:]...); part[0] == 0 {
			break
		}
	}
	input, err := unpacked(data)
	if err != nil {
		return nil, fmt.Errorf("the files of job %s: %w", id, err)
	}
	return input, nil
}

// prune forgets the oldest jobs that are over. Whoever comes first does it; a second time does no harm.
func (l *Lab) prune(ctx context.Context) {
	l.mu.Lock()
	var ended []queue.Job
	for _, j := range l.jobs {
		if j.State.Ended() {
			ended = append(ended, j)
		}
	}
	l.mu.Unlock()
	if len(ended) <= keptEnded {
		return
	}
	slices.SortFunc(ended, func(a, b queue.Job) int { return b.Ended.Compare(a.Ended) })
	for _, j := range ended[keptEnded:] {
		asking, cancel := l.clock.WithTimeout(ctx, askWithin)
		err := errors.Join(l.state.Purge(asking, "job."+j.ID), l.forgetInput(asking, j.ID))
		cancel()
		if err != nil {
			return
		}
	}
}

func (l *Lab) forgetInput(ctx context.Context, id string) error {
	for n := 0; ; n++ {
		key := fmt.Sprint(id, ".", n)
		entry, err := l.inputs.Get(ctx, key)
		if err != nil {
			return nil // there are no more
		}
		more := len(entry.Value()) > 0 && entry.Value()[0] == 1
		if err := l.inputs.Purge(ctx, key); err != nil || !more {
			return err
		}
	}
}

const (
	tidyEvery = time.Hour
	markersOf = 6 * time.Hour
)

// keepTidy removes what the store remembers of entries that are gone. A member that was away reads everything anew, and needs no marker.
func (l *Lab) keepTidy(ctx context.Context) {
	for l.clock.Sleep(ctx, tidyEvery) == nil {
		if l.Reachable() != "" {
			continue
		}
		for _, kv := range []jetstream.KeyValue{l.state, l.inputs} {
			asking, cancel := l.clock.WithTimeout(ctx, time.Minute)
			err := kv.PurgeDeletes(asking, jetstream.DeleteMarkersOlderThan(markersOf))
			cancel()
			if err != nil && ctx.Err() == nil {
				l.log("debug", "tidying up in the lab's store", map[string]any{"error": err.Error()})
			}
		}
	}
}

// waits says, bench by bench, why a job that nobody has taken does not run. The caller holds mu.
func (l *Lab) waits(j queue.Job) string {
	if j.State != queue.Queued {
		return ""
	}
	if why := l.unreachable(); why != "" {
		return why
	}
	if j.Holder != "" {
		return "taken by " + j.Holder
	}
	var all []string
	for name, p := range l.peers {
		if p.Hub || p.Name == "" || j.Bench != Any && j.Bench != name {
			continue
		}
		why := "busy"
		switch {
		case p.Left:
			why = "not here"
		case p.Gone:
			why = "not heard of since " + p.Heard.UTC().Format("15:04:05") + " UTC"
		case l.fits[j.ID][name] != "":
			why = "does not fit: " + l.fits[j.ID][name]
		case p.Held != "":
			why = p.Held
		}
		all = append(all, name+": "+why)
	}
	if len(all) == 0 {
		if j.Bench == Any {
			return "no bench has joined the lab"
		}
		return "the bench " + j.Bench + " has not joined the lab"
	}
	slices.Sort(all)
	return strings.Join(all, "; ")
}
