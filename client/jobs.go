package client

import (
	"context"
	"iter"
	"net/http"
	"net/url"
	"strconv"

	"fourwire/daemon/api"
)

const pageSize = 500

// Submit asks for a run. Once it returns without an error the daemon has the job on its disk. [ErrWrong] means that the sequence is wrong or
// that the bench does not serve it: the error's Findings say where. Where the answer does not come, the job may have been taken in.
func (c *Client) Submit(ctx context.Context, s api.Submission) (api.Job, error) {
	return call[api.Job](ctx, c, http.MethodPost, path("jobs"), nil, s)
}

// Job gives one job, or [ErrNotFound].
func (c *Client) Job(ctx context.Context, id string) (api.Job, error) {
	return call[api.Job](ctx, c, http.MethodGet, path("jobs", id), nil, nil)
}

// Jobs goes through the jobs: those that wait or run in the order in which they will run, then ended ones, latest first. An empty state is all
// of them. It ends after the first error.
func (c *Client) Jobs(ctx context.Context, state api.State) iter.Seq2[api.Job, error] {
	return func(yield func(api.Job, error) bool) {
		query := url.Values{"limit": {strconv.Itoa(pageSize)}}
		if state != "" {
			query.Set("state", string(state))
		}
		for {
			page, err := call[api.Jobs](ctx, c, http.MethodGet, path("jobs"), query, nil)
			if err != nil {
				yield(api.Job{}, err)
				return
			}
			for _, j := range page.Jobs {
				if !yield(j, nil) {
					return
				}
			}
			if page.Next == "" {
				return
			}
			query.Set("after", page.Next)
		}
	}
}

// Cancel cancels a job that waits and stops one that runs, whose outputs are switched off in order. [ErrConflict]: it is over.
func (c *Client) Cancel(ctx context.Context, id string) (api.Job, error) {
	return call[api.Job](ctx, c, http.MethodDelete, path("jobs", id), nil, nil)
}

// Resume has a job that was broken off go on behind its last whole point: a new job with the same record. [ErrConflict]: it cannot.
func (c *Client) Resume(ctx context.Context, id string) (api.Job, error) {
	return call[api.Job](ctx, c, http.MethodPost, path("jobs", id, "resume"), nil, nil)
}

// Over tells whether nothing more becomes of a job. How it went is in its State, Outcome and Exit.
func Over(j api.Job) bool {
	switch j.State {
	case api.Done, api.Failed, api.Interrupted, api.Cancelled:
		return true
	}
	return false
}

// Wait waits until a job is over and gives it as it is then. It watches, so that it costs the daemon nothing while nothing happens, and
// survives a restart of the daemon. It ends early with the error of ctx, or where the daemon refuses; the job is then as it was last known.
func (c *Client) Wait(ctx context.Context, id string) (api.Job, error) {
	var last api.Job
	look := func(ctx context.Context) (err error) {
		j, err := c.Job(ctx, id)
		if err != nil {
			return err
		}
		last = j
		return nil
	}
	for e, err := range c.watch(ctx, Watching{Job: id}, look) {
		switch {
		case err != nil:
			return last, err
		case e.Kind == "job" && e.Job == id && e.State != nil:
			last = *e.State
		case e.Kind == "reset": // what was missed may be the end
			if err := look(ctx); err != nil {
				return last, err
			}
		}
		if Over(last) {
			return last, nil
		}
	}
	return last, context.Cause(ctx)
}

// Check says what would become of a job without taking it in: whether the bench serves it as it is set, how many points, how long.
func (c *Client) Check(ctx context.Context, s api.Submission) (api.Sequence, error) {
	return call[api.Sequence](ctx, c, http.MethodPost, path("check"), nil, s)
}
