package queue

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"

	"fourwire/internal/clock"
)

// The causes with which the context of a run ends.
var (
	ErrStopped  = errors.New("stopped")                 // by somebody
	ErrShutdown = errors.New("the daemon is shut down") // by whoever runs the queue
)

// Config is what a queue works with.
type Config struct {
	Store Store
	Clock clock.Clock // nil is the machine's
	// Run runs a job, whose last attempt is this one, and returns when all is over and everything is off. Its context ends with
	// ErrStopped or ErrShutdown.
	Run func(context.Context, Job) Result
	// Recover finds out what became of a job whose run was under way when the process ended. It returns when everything is verified
	// to be off, or its context ends.
	Recover func(context.Context, Job) Result
	// Ready says why a job must not start; empty: it may.
	Ready func(Job) string
	// RecordName names the record of a new attempt.
	RecordName func(j Job, now time.Time) string
	// Changed is told of every change, in order; it must not wait and must not call back. nil: nobody.
	Changed func(Job)
	// Failed is told what went wrong with the store; nil: nobody.
	Failed func(error)
	Keep   int // ended jobs that are kept; 0 is 500
}

// Queue is the jobs of one bench. All methods may be called by several goroutines.
type Queue struct {
	config Config
	clock  clock.Clock
	wake   chan struct{}

	writing sync.Mutex // held while a job is changed and saved

	mu      sync.Mutex // guards what follows; never held while something waits
	jobs    map[string]Job
	stop    map[string]context.CancelCauseFunc // of runs
	tried   map[string][]byte                  // what the store was given without an answer, by job
	unsaved map[string]bool                    // ended, which the store could not be told of yet
	ready   bool                               // orphans have been seen to
	closing bool
	running sync.WaitGroup
}

// Open reads the jobs. Nothing starts before Run is called.
func Open(ctx context.Context, c Config) (*Queue, error) {
	if c.Keep == 0 {
		c.Keep = 500
	}
	q := &Queue{config: c, clock: clock.Or(c.Clock), wake: make(chan struct{}, 1), jobs: map[string]Job{}, stop: map[string]context.CancelCauseFunc{}, unsaved: map[string]bool{}, tried: map[string][]byte{}}
	list, err := c.Store.Load(ctx)
	if err != nil {
		return nil, err
	}
	for _, j := range list {
		q.jobs[j.ID] = j
	}
	return q, nil
}

// Submit takes a job in. When it returns without an error the job is on disk.
func (q *Queue) Submit(ctx context.Context, j Job, input []byte) (Job, error) {
	id, err := uuid.NewV7()
	if err != nil {
		return Job{}, err
	}
	j.ID, j.Submitted, j.State = id.String(), q.clock.Now().UTC(), Queued
	if j.At.After(j.Submitted) || j.Every > 0 {
		j.State = Scheduled
		if j.At.IsZero() {
			j.At = j.Submitted
		}
	}
	if err := q.add(ctx, &j, input); err != nil {
		return Job{}, err
	}
	return j, nil
}

func (q *Queue) add(ctx context.Context, j *Job, input []byte) error {
	if err := q.config.Store.SaveInput(ctx, j.ID, input); err != nil { // while others write: nobody knows of this job yet
		return err
	}
	q.writing.Lock()
	defer q.writing.Unlock()
	return q.addLocked(ctx, j)
}

// addLocked takes in a job whose input is in the store. The caller holds writing.
func (q *Queue) addLocked(ctx context.Context, j *Job) error {
	if err := q.save(ctx, j); err != nil {
		q.forget(ctx, j.ID)
		return err
	}
	q.keep(*j)
	q.Wake()
	return nil
}

// Wake has the queue look again whether something can start.
func (q *Queue) Wake() {
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

// keep takes a job as it is in the store. The caller holds writing.
func (q *Queue) keep(j Job) {
	q.mu.Lock()
	q.jobs[j.ID] = j
	q.mu.Unlock()
	if q.config.Changed != nil {
		q.config.Changed(j.clone())
	}
}

// Job gives one job.
func (q *Queue) Job(id string) (Job, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	j, ok := q.jobs[id]
	if !ok {
		return Job{}, ErrNotFound
	}
	return j.clone(), nil
}

// Jobs lists all jobs: those that wait or run in the order in which they run, then the others, latest first.
func (q *Queue) Jobs() []Job {
	out := q.list(func(*Job) bool { return true })
	for i := range out {
		out[i] = out[i].clone()
	}
	return out
}

// list gives those jobs that are wanted in the order of [Queue.Jobs]. What a job refers to is shared with the queue, which never changes it in place.
func (q *Queue) list(wanted func(*Job) bool) []Job {
	var found []*Job // jobs are large to move about
	q.mu.Lock()
	for _, j := range q.jobs {
		if wanted(&j) {
			found = append(found, &j)
		}
	}
	q.mu.Unlock()
	slices.SortFunc(found, inOrder)
	out := make([]Job, len(found))
	for i, j := range found {
		out[i] = *j
	}
	return out
}

// rank orders states in a list.
func rank(s State) int {
	switch s {
	case Starting, Running:
		return 0
	case Queued:
		return 1
	case Scheduled:
		return 2
	}
	return 3
}

func inOrder(a, b *Job) int {
	if r := rank(a.State) - rank(b.State); r != 0 {
		return r
	}
	switch rank(a.State) {
	case 1:
		if a.Priority != b.Priority {
			return b.Priority - a.Priority
		}
	case 2:
		if c := a.At.Compare(b.At); c != 0 {
			return c
		}
	case 3:
		if c := b.Ended.Compare(a.Ended); c != 0 {
			return c
		}
		return strings.Compare(b.ID, a.ID)
	}
	return strings.Compare(a.ID, b.ID)
}

// Counts counts the jobs that are not over.
func (q *Queue) Counts() (scheduled, queued, running int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, j := range q.jobs {
		switch {
		case j.State == Scheduled:
			scheduled++
		case j.State == Queued:
			queued++
		case j.State.Active():
			running++
		}
	}
	return scheduled, queued, running
}

// change changes a job and saves it; an error of what does it leaves everything as it was.
func (q *Queue) change(ctx context.Context, id string, do func(*Job) error) (Job, error) {
	q.writing.Lock()
	defer q.writing.Unlock()
	return q.changeLocked(ctx, id, do)
}

func (q *Queue) changeLocked(ctx context.Context, id string, do func(*Job) error) (Job, error) {
	j, err := q.Job(id)
	if err != nil {
		return Job{}, err
	}
	if err := do(&j); err != nil {
		return j, err
	}
	if err := q.save(ctx, &j); err != nil {
		return j, err
	}
	q.keep(j)
	return j.clone(), nil
}

// save writes a job. An earlier write whose answer did not come may have reached the store all the same: what is found there then is this queue's own, and is
// written over; anything else is somebody else's, and stays. The caller holds writing.
func (q *Queue) save(ctx context.Context, j *Job) error {
	err := q.config.Store.Save(ctx, j)
	if errors.Is(err, ErrConflict) && q.tried[j.ID] != nil {
		there, failed := q.config.Store.Get(ctx, j.ID)
		if failed != nil {
			return errors.Join(err, failed)
		}
		text, failed := json.Marshal(there)
		if failed != nil || !bytes.Equal(text, q.tried[j.ID]) {
			return err
		}
		j.Revision = there.Revision
		err = q.config.Store.Save(ctx, j)
	}
	switch {
	case err == nil:
		delete(q.tried, j.ID)
	case !errors.Is(err, ErrConflict):
		if text, failed := json.Marshal(*j); failed == nil {
			q.tried[j.ID] = text
		}
	}
	return err
}

// forget takes back a job that was refused because its store did not answer: it must not turn up later. The caller holds writing.
func (q *Queue) forget(ctx context.Context, id string) {
	delete(q.tried, id)
	ctx, cancel := q.clock.WithTimeout(context.WithoutCancel(ctx), forgetWithin)
	defer cancel()
	if err := q.config.Store.Delete(ctx, id); err != nil {
		q.failed(fmt.Errorf("job %s was refused, and may turn up all the same after a restart: %w", id, err))
	}
}

const forgetWithin = time.Second

// ErrOver says that nothing can be done to a job because it is over.
var ErrOver = errors.New("the job is over")

// Cancel cancels a job that waits, and stops one that runs; who is told why.
func (q *Queue) Cancel(ctx context.Context, id, who string) (Job, error) {
	j, err := q.change(ctx, id, func(j *Job) error {
		switch {
		case j.State.Ended():
			return fmt.Errorf("%w: it is %s", ErrOver, j.State)
		case j.State.Active():
			j.StoppedBy = who
		default:
			j.State, j.Reason, j.StoppedBy, j.Ended = Cancelled, "cancelled by "+who, who, q.clock.Now().UTC()
		}
		return nil
	})
	if err != nil && !j.State.Active() {
		return j, err
	}
	q.halt(id)
	return j, nil
}

func (q *Queue) halt(id string) {
	q.mu.Lock()
	stop := q.stop[id]
	q.mu.Unlock()
	if stop != nil {
		stop(ErrStopped)
	}
}

// StopAll stops every run, without waiting for a disk, and gives their jobs.
func (q *Queue) StopAll() []string {
	q.mu.Lock()
	defer q.mu.Unlock()
	var out []string
	for id, stop := range q.stop {
		stop(ErrStopped)
		out = append(out, id)
	}
	slices.Sort(out)
	return out
}

// Idle tells whether an instrument is needed by no job that runs.
func (q *Queue) Idle(instrument string) bool { return q.Holder(instrument) == "" }

// Holder is the job that has an instrument; empty: none.
func (q *Queue) Holder(instrument string) string {
	q.mu.Lock()
	defer q.mu.Unlock()
	for id, j := range q.jobs {
		if j.State.Active() && slices.Contains(j.Needs, instrument) {
			return id
		}
	}
	return ""
}

// Resume takes in a job that goes on in the record of one that was broken off. One job goes on once.
func (q *Queue) Resume(ctx context.Context, id, who string) (Job, error) {
	input, err := q.config.Store.Input(ctx, id)
	if err != nil {
		return Job{}, err
	}
	fresh, err := uuid.NewV7()
	if err != nil {
		return Job{}, err
	}
	goesOn := func() (Job, error) {
		j, err := q.Job(id)
		if err == nil && !j.Resumable {
			err = fmt.Errorf("%w: it cannot go on, since it came to its end, left no record, or goes on already", ErrOver)
		}
		return j, err
	}
	if j, err := goesOn(); err != nil {
		return j, err
	}
	if err := q.config.Store.SaveInput(ctx, fresh.String(), input); err != nil {
		return Job{}, err
	}
	q.writing.Lock()
	defer q.writing.Unlock()
	j, err := goesOn()
	if err != nil { // somebody else was quicker
		q.forget(ctx, fresh.String())
		return j, err
	}
	on := Job{ID: fresh.String(), State: Queued, Submitted: q.clock.Now().UTC(), Priority: j.Priority, Owner: who, Needs: j.Needs, Order: j.Order, Resumes: j.ID, Into: j.Record()}
	if j.Epoch > 0 {
		on.Bench, on.Holder, on.Epoch = j.Bench, j.Holder, 1
	}
	if err := q.addLocked(ctx, &on); err != nil {
		return Job{}, err
	}
	_, err = q.changeLocked(ctx, id, func(j *Job) error { j.Resumable = false; return nil })
	return on, err
}

// Input gives what a job is run from.
func (q *Queue) Input(ctx context.Context, id string) ([]byte, error) {
	return q.config.Store.Input(ctx, id)
}
