package queue

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
)

const (
	saveWithin = 5 * time.Second
	againAfter = time.Second // a store that refused is asked again
	lookEvery  = time.Minute // at the least
)

// Run sees to the jobs that were under way, then starts jobs until ctx ends; it returns when all runs are over.
func (q *Queue) Run(ctx context.Context) error {
	if err := q.orphans(ctx); err != nil {
		return err
	}
	q.mu.Lock()
	q.ready = true
	q.mu.Unlock()
	for ctx.Err() == nil {
		next := q.schedule(ctx)
		timer, cancel := q.clock.WithTimeout(ctx, next)
		select {
		case <-q.wake:
		case <-timer.Done():
		}
		cancel()
	}
	q.mu.Lock()
	q.closing = true
	for _, stop := range q.stop {
		stop(ErrShutdown)
	}
	q.mu.Unlock()
	q.running.Wait()
	q.saveUnsaved(context.WithoutCancel(ctx))
	return nil
}

// orphans sees to the jobs that were under way when the process ended.
func (q *Queue) orphans(ctx context.Context) error {
	for _, j := range q.Jobs() {
		if !j.State.Active() {
			continue
		}
		result := q.config.Recover(ctx, j)
		if err := ctx.Err(); err != nil {
			return err // it is seen to the next time
		}
		q.finish(ctx, j.ID, result)
	}
	return nil
}

// Ready tells whether the jobs that were under way have been seen to.
func (q *Queue) Ready() bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.ready
}

// schedule does what is due and tells when to look again.
func (q *Queue) schedule(ctx context.Context) time.Duration {
	next := lookEvery
	if !q.saveUnsaved(ctx) {
		next = againAfter
	}
	now := q.clock.Now().UTC()
	due := q.list(func(j *Job) bool {
		if j.State != Scheduled {
			return false
		}
		wait := j.At.Sub(now)
		if wait > 0 {
			next = min(next, wait)
		}
		return wait <= 0
	})
	for _, j := range due {
		if err := q.due(ctx, j, now); err != nil {
			q.failed(err)
			next = min(next, againAfter)
		}
	}
	q.prune(ctx)
	busy := map[string]string{}
	for _, j := range q.list(func(j *Job) bool { return j.State.Active() }) {
		take(busy, j)
	}
	for _, j := range q.list(func(j *Job) bool { return j.State == Queued }) {
		why := ""
		if q.config.Ready != nil {
			why = q.config.Ready(j)
		}
		if why == "" {
			why = held(busy, j)
			if why != "" {
				take(busy, j) // what it waits for is not given to one behind it
			}
		}
		q.waits(j, why)
		if why != "" {
			continue
		}
		take(busy, j)
		if err := q.start(ctx, j.ID); err != nil {
			q.failed(err)
			next = min(next, againAfter)
		}
	}
	return next
}

func take(busy map[string]string, j Job) {
	for _, n := range j.Needs {
		if busy[n] == "" {
			busy[n] = j.ID
		}
	}
}

func held(busy map[string]string, j Job) string {
	for _, n := range j.Needs {
		if by := busy[n]; by != "" {
			return n + " is needed by a job before it"
		}
	}
	return ""
}

// waits notes why a job does not run yet; that is not worth a disk.
func (q *Queue) waits(j Job, why string) {
	if j.Waits == why {
		return
	}
	q.mu.Lock()
	now, ok := q.jobs[j.ID]
	if ok && now.State == Queued {
		now.Waits = why
		q.jobs[j.ID] = now
	}
	q.mu.Unlock()
	if ok && q.config.Changed != nil {
		q.config.Changed(now.clone())
	}
}

// due takes a job whose time has come.
func (q *Queue) due(ctx context.Context, j Job, now time.Time) error {
	ctx, cancel := q.clock.WithTimeout(ctx, saveWithin)
	defer cancel()
	if j.Every <= 0 {
		_, err := q.change(ctx, j.ID, func(j *Job) error { j.State = Queued; return nil })
		return err
	}
	late := now.Sub(j.At) / j.Every // times that have passed unnoticed are made up for once
	id := Occurrence(j, j.At)
	if _, err := q.Job(id); err != nil && !q.pending(j.ID) {
		input, err := q.config.Store.Input(ctx, j.ID)
		if err != nil {
			return err
		}
		one := Job{ID: id, State: Queued, Priority: j.Priority, Owner: j.Owner, Submitted: now, From: j.ID, Retry: j.Retry, Needs: j.Needs, Order: j.Order}
		if err := q.add(ctx, &one, input); err != nil && !errors.Is(err, ErrConflict) {
			return err
		}
	}
	_, err := q.change(ctx, j.ID, func(j *Job) error { j.At = j.At.Add((late + 1) * j.Every); return nil })
	return err
}

// pending tells whether a job that a recurring one made is not over yet: the next one would only wait behind it.
func (q *Queue) pending(from string) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, j := range q.jobs {
		if j.From == from && !j.State.Ended() {
			return true
		}
	}
	return false
}

// Occurrence is the id of what a recurring job makes at a time: the same however often it is asked for, so that it is made once.
func Occurrence(j Job, at time.Time) string {
	sum := uuid.NewSHA1(uuid.NameSpaceOID, []byte(j.ID+at.UTC().Format(time.RFC3339Nano)))
	ms := uint64(at.UnixMilli())
	for i := range 6 {
		sum[i] = byte(ms >> (8 * (5 - i)))
	}
	sum[6] = sum[6]&0x0f | 0x70
	return sum.String()
}

// start writes down that a job is being started, then starts it.
func (q *Queue) start(ctx context.Context, id string) error {
	saving, cancel := q.clock.WithTimeout(ctx, saveWithin)
	defer cancel()
	j, err := q.change(saving, id, func(j *Job) error {
		if j.State != Queued {
			return fmt.Errorf("job %s is %s", id, j.State)
		}
		now := q.clock.Now().UTC()
		j.State, j.Waits = Starting, ""
		record := j.Into
		if record == "" {
			record = q.config.RecordName(*j, now)
		}
		j.Attempts = append(j.Attempts, Attempt{Record: record, Started: now})
		return nil
	})
	if err != nil {
		return err
	}
	run, stop := context.WithCancelCause(context.WithoutCancel(ctx))
	q.mu.Lock()
	q.stop[id] = stop
	if q.closing {
		stop(ErrShutdown)
	}
	q.mu.Unlock()
	q.running.Go(func() {
		defer stop(nil)
		result := q.config.Run(run, j)
		q.finish(context.WithoutCancel(ctx), id, result)
		q.mu.Lock()
		delete(q.stop, id)
		q.mu.Unlock()
		q.Wake()
	})
	return nil
}

// Running notes that the process of a job is there.
func (q *Queue) Running(ctx context.Context, id string) error {
	ctx, cancel := q.clock.WithTimeout(ctx, saveWithin)
	defer cancel()
	_, err := q.change(ctx, id, func(j *Job) error {
		if j.State != Starting {
			return fmt.Errorf("job %s is %s", id, j.State)
		}
		j.State = Running
		return nil
	})
	return err
}

// finish notes how a run ended, in memory at once and in the store as soon as that can be.
func (q *Queue) finish(ctx context.Context, id string, r Result) {
	q.writing.Lock()
	defer q.writing.Unlock()
	j, err := q.Job(id)
	if err != nil {
		return
	}
	if r.Drop {
		q.dropLocked(ctx, id)
		return
	}
	now := q.clock.Now().UTC()
	if n := len(j.Attempts); n > 0 {
		a := &j.Attempts[n-1]
		a.Ended, a.Exit, a.Reason = now, r.Exit, r.Reason
	}
	j.State, j.Outcome, j.Reason, j.Hint, j.Ended, j.Resumable = r.State, r.Outcome, r.Reason, r.Hint, now, r.Resumable
	if r.State == Failed && r.Again && len(j.Attempts) < j.Retry.Attempts && j.StoppedBy == "" {
		j.State, j.At, j.Ended, j.Resumable = Scheduled, now.Add(j.Retry.After), time.Time{}, false
	}
	saving, cancel := q.clock.WithTimeout(ctx, saveWithin)
	defer cancel()
	if err := q.save(saving, &j); err != nil {
		q.failed(err)
		q.mu.Lock()
		q.unsaved[id] = true
		q.mu.Unlock()
	}
	q.keep(j)
}

// saveUnsaved tells the store what it could not be told before.
func (q *Queue) saveUnsaved(ctx context.Context) bool {
	q.mu.Lock()
	var ids []string
	for id := range q.unsaved {
		ids = append(ids, id)
	}
	q.mu.Unlock()
	for _, id := range ids {
		saving, cancel := q.clock.WithTimeout(ctx, saveWithin)
		_, err := q.change(saving, id, func(*Job) error { return nil })
		cancel()
		if err != nil {
			return false
		}
		q.mu.Lock()
		delete(q.unsaved, id)
		q.mu.Unlock()
	}
	return true
}

// prune forgets the oldest jobs that are over.
func (q *Queue) prune(ctx context.Context) {
	ended := 0
	q.mu.Lock()
	for _, j := range q.jobs {
		if j.State.Ended() {
			ended++
		}
	}
	q.mu.Unlock()
	if ended <= q.config.Keep {
		return
	}
	list := q.list(func(j *Job) bool { return j.State.Ended() })
	q.writing.Lock()
	defer q.writing.Unlock()
	for _, j := range list[q.config.Keep:] {
		deleting, cancel := q.clock.WithTimeout(ctx, saveWithin)
		err := q.config.Store.Delete(deleting, j.ID)
		cancel()
		if err != nil {
			q.failed(err)
			return
		}
		q.mu.Lock()
		delete(q.jobs, j.ID)
		q.mu.Unlock()
	}
}

func (q *Queue) failed(err error) {
	if q.config.Failed != nil {
		q.config.Failed(err)
	}
}
