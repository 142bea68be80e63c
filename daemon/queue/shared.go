package queue

import (
	"context"
	"fmt"
	"slices"
)

// Take takes in a job that has its id from elsewhere, as it is. When it returns without an error the job is on disk.
func (q *Queue) Take(ctx context.Context, j Job, input []byte) error {
	if err := q.config.Store.SaveInput(ctx, j.ID, input); err != nil {
		return err
	}
	q.writing.Lock()
	defer q.writing.Unlock()
	if _, err := q.Job(j.ID); err == nil {
		return fmt.Errorf("job %s: %w: it is here already", j.ID, ErrConflict)
	}
	j.Revision = 0
	return q.addLocked(ctx, &j)
}

// Forget removes a job whose run is not under way, as if it had never been here.
func (q *Queue) Forget(ctx context.Context, id string) {
	q.writing.Lock()
	defer q.writing.Unlock()
	if j, err := q.Job(id); err == nil && !j.State.Active() {
		q.dropLocked(ctx, id)
	}
}

func (q *Queue) dropLocked(ctx context.Context, id string) {
	ctx, cancel := q.clock.WithTimeout(context.WithoutCancel(ctx), saveWithin)
	defer cancel()
	q.mu.Lock()
	delete(q.jobs, id)
	q.mu.Unlock()
	delete(q.tried, id)
	if err := q.config.Store.Delete(ctx, id); err != nil {
		q.failed(fmt.Errorf("job %s is another bench's, and may turn up all the same after a restart: %w", id, err))
	}
}

// Room tells whether a job that needs these instruments would start at once: no job that runs or waits for its turn needs one of them.
func (q *Queue) Room(id string, needs []string) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if _, ok := q.jobs[id]; ok {
		return false
	}
	busy := map[string]string{}
	for _, j := range q.jobs {
		if j.State == Queued || j.State.Active() {
			take(busy, j)
		}
	}
	return held(busy, Job{Needs: needs}) == ""
}

// Sort puts jobs into the order of [Queue.Jobs].
func Sort(list []Job) {
	slices.SortFunc(list, func(a, b Job) int { return inOrder(&a, &b) })
}
