package fleet

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"fourwire/daemon/queue"
)

// keepClaiming takes jobs that would start here at once.
func (l *Lab) keepClaiming(ctx context.Context) {
	l.every(ctx, time.Second, l.wakeClaim, func(ctx context.Context) {
		if l.Reachable() != "" {
			return
		}
		l.due(ctx)
		l.prune(ctx)
		if l.options.Hub {
			return
		}
		for _, j := range l.waiting() {
			if ctx.Err() != nil {
				return
			}
			l.consider(ctx, j)
		}
	})
}

// waiting lists the jobs that nobody has taken and that may be for this bench, in the order in which they go.
func (l *Lab) waiting() []queue.Job {
	l.mu.Lock()
	var out []queue.Job
	for _, j := range l.jobs {
		mine := j.Bench == Any || j.Bench == l.options.Name
		if mine && j.State == queue.Queued && j.Holder == "" {
			out = append(out, j)
		}
	}
	l.mu.Unlock()
	slices.SortFunc(out, func(a, b queue.Job) int {
		if a.Priority != b.Priority {
			return b.Priority - a.Priority
		}
		return strings.Compare(a.ID, b.ID)
	})
	return out
}

// consider takes a job where this bench serves it and has room.
func (l *Lab) consider(ctx context.Context, j queue.Job) {
	l.mu.Lock()
	seen, known := l.looked[j.ID]
	l.mu.Unlock()
	if !known {
		asking, cancel := l.clock.WithTimeout(ctx, askWithin)
		input, err := l.Input(asking, j.ID)
		cancel()
		switch {
		case errors.Is(err, queue.ErrNotFound):
			seen.why = "its files are not in the lab's store any more"
		case err != nil:
			return // the next time
		default:
			seen.completed, seen.input = j, input
			seen.why = l.options.Member.Fit(&seen.completed, input)
			if len(input) > 8<<10 {
				seen.input = nil // read again when it is taken
			}
		}
	}
	if told := seen.why != ""; told != seen.told || !known {
		seen.told = l.tellFit(ctx, j.ID, seen.why)
	}
	l.mu.Lock()
	if now, ok := l.jobs[j.ID]; ok && now.Holder == "" && !now.State.Ended() {
		l.looked[j.ID] = seen
	}
	l.mu.Unlock()
	if seen.why != "" {
		return
	}
	j.Needs, j.Order = seen.completed.Needs, seen.completed.Order
	if !l.options.Member.Room(j) {
		return
	}
	if err := l.claim(ctx, j, seen.input); err != nil && !conflict(err) && ctx.Err() == nil {
		l.log("warn", "a job could not be taken", map[string]any{"job": j.ID, "error": err.Error()})
	}
}

// tellFit has the lab know why this bench does not serve a job, or that it does. It tells whether the lab has a reason now.
func (l *Lab) tellFit(ctx context.Context, id, why string) bool {
	asking, cancel := l.clock.WithTimeout(ctx, askWithin)
	defer cancel()
	key := "fit." + id + "." + l.options.Name
	l.mu.Lock()
	there := l.fits[id][l.options.Name]
	l.mu.Unlock()
	switch {
	case why != "" && why != there:
		_, err := l.state.Put(asking, key, []byte(why))
		return err == nil
	case why == "" && there != "":
		return l.state.Purge(asking, key) != nil
	}
	return why != ""
}

// claim takes a job: of several that try, one succeeds.
func (l *Lab) claim(ctx context.Context, j queue.Job, input []byte) (err error) {
	l.setClaiming(j.ID, true)
	defer l.setClaiming(j.ID, false)
	asking, cancel := l.clock.WithTimeout(ctx, askWithin)
	defer cancel()
	if input == nil {
		if input, err = l.Input(asking, j.ID); err != nil {
			return err
		}
	}
	j.Holder, j.Epoch, j.State, j.At = l.options.Name, j.Epoch+1, queue.Queued, time.Time{}
	if j, err = l.put(asking, j); err != nil {
		return err // where it was taken all the same, it is given back by and by
	}
	l.mu.Lock()
	misfits := make([]string, 0, len(l.fits[j.ID]))
	for bench := range l.fits[j.ID] {
		misfits = append(misfits, bench)
	}
	l.mu.Unlock()
	if err := l.options.Member.Take(asking, j, input); err != nil {
		_, giving := l.release(context.WithoutCancel(ctx), j)
		return errors.Join(fmt.Errorf("job %s cannot be kept here: %w", j.ID, err), giving)
	}
	for _, bench := range misfits {
		_ = l.state.Purge(asking, "fit."+j.ID+"."+bench) // of no interest any more, and no harm
	}
	return nil
}

func (l *Lab) setClaiming(id string, on bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if on {
		l.claiming[id] = true
	} else {
		delete(l.claiming, id)
	}
}

// release gives a job that has not been begun back to the lab.
func (l *Lab) release(ctx context.Context, j queue.Job) (queue.Job, error) {
	asking, cancel := l.clock.WithTimeout(ctx, askWithin)
	defer cancel()
	j.State, j.Holder, j.Epoch, j.Attempts = queue.Queued, "", j.Epoch+1, nil
	return l.put(asking, j)
}

// Begin wins the right to energise for a job, whose last attempt is the one that is about to be run. Without it nothing may be switched on:
// it fails where the cluster is not reachable, and where the lab has given the job to somebody else.
func (l *Lab) Begin(ctx context.Context, j queue.Job) error {
	if why := l.Reachable(); why != "" {
		return fmt.Errorf("%w: %s", ErrUnreachable, why)
	}
	l.own.Lock()
	defer l.own.Unlock()
	asking, cancel := l.clock.WithTimeout(ctx, askWithin)
	defer cancel()
	there, err := l.fresh(asking, j.ID)
	if errors.Is(err, queue.ErrNotFound) && j.Resumes != "" { // one that goes on was made here
		there, err = queue.Job{Holder: j.Holder, Epoch: j.Epoch}, nil
	}
	if err != nil {
		return err
	}
	if there.Holder != l.options.Name || there.Epoch != j.Epoch || there.Lost || there.State.Ended() {
		return fmt.Errorf("%w: %s", ErrFenced, there.Holder)
	}
	j.Revision = there.Revision
	_, err = l.put(asking, j)
	if conflict(err) {
		return ErrFenced
	}
	return err
}

// GiveBack tells the lab that a job that this bench took has not been begun. Where that cannot be said now, it is said later.
func (l *Lab) GiveBack(ctx context.Context, j queue.Job) {
	l.own.Lock()
	defer l.own.Unlock()
	asking, cancel := l.clock.WithTimeout(ctx, askWithin)
	defer cancel()
	there, err := l.fresh(asking, j.ID)
	if err == nil && there.Holder == l.options.Name && there.Epoch == j.Epoch && !there.State.Ended() {
		_, err = l.release(ctx, there)
	}
	if err != nil {
		l.mu.Lock()
		l.unbegun[j.ID] = j.Epoch
		l.mu.Unlock()
		l.log("warn", "a job that was not begun is given back later", map[string]any{"job": j.ID, "error": err.Error()})
	}
}

// Adopt has the lab know of a job that was made here at once; where that cannot be, it hears of it later.
func (l *Lab) Adopt(ctx context.Context, j queue.Job) {
	if l.Reachable() != "" {
		return
	}
	l.own.Lock()
	defer l.own.Unlock()
	if _, ok := l.Job(j.ID); !ok {
		l.follow(ctx, queue.Job{}, j)
	}
}

// Look reads the entry of a job anew.
func (l *Lab) Look(ctx context.Context, id string) (queue.Job, error) {
	if why := l.Reachable(); why != "" {
		return queue.Job{}, fmt.Errorf("%w: %s", ErrUnreachable, why)
	}
	asking, cancel := l.clock.WithTimeout(ctx, askWithin)
	defer cancel()
	return l.fresh(asking, id)
}

// keepMirroring has the entries of the jobs that this member has follow what its own disk says.
func (l *Lab) keepMirroring(ctx context.Context) {
	if l.options.Hub {
		return
	}
	l.every(ctx, l.beatEvery(), l.wakeMirror, func(ctx context.Context) {
		if l.Reachable() == "" {
			l.mirror(ctx)
		}
	})
}

// tellEnded is how long a job that was made here, and that the lab does not know of, is told after its end.
const tellEnded = time.Hour

func (l *Lab) mirror(ctx context.Context) {
	l.own.Lock()
	defer l.own.Unlock()
	here := map[string]queue.Job{}
	for _, j := range l.options.Member.Own() {
		here[j.ID] = j
	}
	l.mu.Lock()
	var held []queue.Job
	for _, j := range l.jobs {
		if j.Holder == l.options.Name && !l.claiming[j.ID] {
			held = append(held, j)
		}
	}
	there := make(map[string]queue.Job, len(here))
	for id := range here {
		if j, ok := l.jobs[id]; ok {
			there[id] = j
		}
	}
	l.mu.Unlock()
	for _, j := range held {
		if l.Reachable() != "" {
			return
		}
		if mine, ok := here[j.ID]; ok && mine.Epoch == j.Epoch {
			l.follow(ctx, j, mine)
		} else if !j.State.Ended() {
			l.orphan(ctx, j)
		}
	}
	for id, mine := range here {
		j, ok := there[id]
		switch {
		case !ok && mine.Resumes != "" && (!mine.State.Ended() || l.clock.Since(mine.Ended) < tellEnded):
			l.follow(ctx, queue.Job{}, mine)
		case (!ok || j.Holder != l.options.Name || j.Epoch != mine.Epoch) && !mine.State.Ended() && !mine.State.Active():
			l.options.Member.Drop(ctx, id)
		}
	}
}

// follow has the entry of a job say what this bench says.
func (l *Lab) follow(ctx context.Context, there, mine queue.Job) {
	if mine.State == queue.Starting {
		return // Begin says so
	}
	mine.Copied, mine.Lost, mine.Bench = there.Copied, false, there.Bench
	if there.Bench == "" {
		mine.Bench = l.options.Name
	}
	mine.Revision, there.Waits, mine.Waits = there.Revision, "", ""
	a, errA := json.Marshal(there)
	b, errB := json.Marshal(mine)
	if errA == nil && errB == nil && string(a) == string(b) {
		return
	}
	asking, cancel := l.clock.WithTimeout(ctx, askWithin)
	defer cancel()
	if _, err := l.put(asking, mine); conflict(err) {
		if now, err := l.fresh(asking, mine.ID); err == nil && now.Holder == mine.Holder && now.Epoch == mine.Epoch {
			wake(l.wakeMirror)
		}
	} else if err != nil && ctx.Err() == nil {
		l.log("warn", "the lab could not be told how a job stands; it is told later", map[string]any{"job": mine.ID, "error": err.Error()})
	}
	if mine.State.Ended() {
		wake(l.wakeShip)
	}
}

// orphan sees to a job that the lab says is here, of which this bench knows nothing.
func (l *Lab) orphan(ctx context.Context, j queue.Job) {
	l.mu.Lock()
	unbegun := l.unbegun[j.ID] == j.Epoch
	delete(l.unbegun, j.ID)
	l.mu.Unlock()
	if unbegun || len(j.Attempts) == 0 && j.State == queue.Queued {
		if _, err := l.release(ctx, j); err != nil && !conflict(err) {
			l.log("warn", "a job is given back later", map[string]any{"job": j.ID, "error": err.Error()})
		}
		return
	}
	asking, cancel := l.clock.WithTimeout(ctx, askWithin)
	defer cancel()
	j.State, j.Lost, j.Ended, j.Reason = queue.Interrupted, true, l.clock.Now().UTC(), "the bench "+j.Holder+" knows nothing of it any more"
	if _, err := l.put(asking, j); err != nil && !conflict(err) {
		l.log("warn", "a job that is not here any more", map[string]any{"job": j.ID, "error": err.Error()})
	}
}

// due has jobs wait for a bench whose time has come, and makes what recurring ones ask for. All members do: one of them changes the entry, and the id of
// what is made is the same for all of them.
func (l *Lab) due(ctx context.Context) {
	now := l.clock.Now().UTC()
	l.mu.Lock()
	var list []queue.Job
	pending := map[string]bool{}
	for _, j := range l.jobs {
		if j.State == queue.Scheduled && j.Holder == "" && !j.At.After(now) {
			list = append(list, j)
		}
		if j.From != "" && !j.State.Ended() {
			pending[j.From] = true
		}
	}
	l.mu.Unlock()
	for _, j := range list {
		var err error
		if j.Every > 0 {
			err = l.occur(ctx, j, now, pending[j.ID])
		} else {
			asking, cancel := l.clock.WithTimeout(ctx, askWithin)
			j.State = queue.Queued
			_, err = l.put(asking, j)
			cancel()
		}
		if err != nil && !conflict(err) && ctx.Err() == nil {
			l.log("warn", "a job whose time has come", map[string]any{"job": j.ID, "error": err.Error()})
		}
	}
}

func (l *Lab) occur(ctx context.Context, j queue.Job, now time.Time, pending bool) error {
	asking, cancel := l.clock.WithTimeout(ctx, askWithin)
	defer cancel()
	if !pending {
		input, err := l.Input(asking, j.ID)
		if err != nil {
			return err
		}
		one := queue.Job{ID: queue.Occurrence(j, j.At), State: queue.Queued, Bench: j.Bench, Priority: j.Priority, Owner: j.Owner, Submitted: now, From: j.ID, Retry: j.Retry, Order: j.Order}
		if err := l.saveInput(asking, one.ID, input); err != nil {
			return err
		}
		if _, err := l.put(asking, one); err != nil && !conflict(err) {
			return err
		}
	}
	j.At = j.At.Add((now.Sub(j.At)/j.Every + 1) * j.Every)
	_, err := l.put(asking, j)
	return err
}
