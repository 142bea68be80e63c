package client

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math/rand/v2"
	"mime"
	"net/http"
	"net/url"
	"sync/atomic"
	"time"

	"fourwire/daemon/api"
)

const (
	firstPause = time.Second      // where the daemon names none
	mostPause  = 30 * time.Second // between two attempts to connect
	quietMost  = 45 * time.Second // a daemon says something every 15 s
)

// Watching says what to watch. The zero value is everything from now on.
type Watching struct {
	Job   string // events of jobs: only of this one; those of the bench come all the same
	After string // id of the last event seen; empty: from now on
	// Opened is called each time the stream has been opened, before its events are given: what is loaded in it has no gap to them. An error of it
	// ends the watch. nil: nobody.
	Opened func(ctx context.Context) error
}

// Watch gives events as they happen, until ctx ends or the loop is left. When the connection is lost it connects again and goes on behind
// the last event. An event of kind "reset" says that events were missed, or that the daemon was started anew: load what is shown once more.
//
// The first connection must succeed. After that only what lasts, such as a token that is not known any more, ends it with an error.
func (c *Client) Watch(ctx context.Context, w Watching) iter.Seq2[api.Event, error] {
	return func(yield func(api.Event, error) bool) {
		var look func(context.Context) error
		if w.Opened != nil {
			look = func(ctx context.Context) error {
				if err := w.Opened(ctx); err != nil {
					return &openedError{err}
				}
				return nil
			}
		}
		for e, err := range c.watch(ctx, w, look) {
			var own *openedError
			if errors.As(err, &own) {
				err = own.error
			}
			if (err != nil || e.Kind != opened) && !yield(e, err) {
				return
			}
		}
	}
}

// opened is the kind of what the inner stream gives besides, each time it has been opened.
const opened = "opened"

func (c *Client) watch(ctx context.Context, w Watching, look func(context.Context) error) iter.Seq2[api.Event, error] {
	return func(yield func(api.Event, error) bool) {
		s := &session{after: w.After, job: w.Job, pause: firstPause, look: look}
		wait := time.Duration(0)
		for first := true; ; first = false {
			left, err := s.once(ctx, c, yield)
			switch {
			case left || ctx.Err() != nil:
				return
			case lasting(err) || first && !s.heard:
				yield(api.Event{}, err)
				return
			case s.heard:
				wait = s.pause
			default:
				wait = min(max(2*wait, s.pause), mostPause)
			}
			s.heard = false
			if c.clock.Sleep(ctx, time.Duration((0.5+rand.Float64())*float64(wait))) != nil { // not all who watched at the same moment
				return
			}
		}
	}
}

// lasting tells whether it does not help to connect again.
func lasting(err error) bool {
	var refused *Error
	if errors.As(err, &refused) && !errors.As(err, new(*openedError)) {
		return refused.Problem.Status < 500 && refused.Problem.Status != http.StatusTooManyRequests
	}
	var own *openedError
	return errors.As(err, &own) || errors.Is(err, errNoStream) || errors.Is(err, errUnknown) || errors.Is(err, errLong)
}

// openedError is what the function that was called on opening gave.
type openedError struct{ error }

func (e *openedError) Unwrap() error { return e.error }

// session is a watch over all its connections.
type session struct {
	after, job string
	pause      time.Duration
	heard      bool // this connection was a stream of events
	look       func(context.Context) error
}

var (
	errNoStream = errors.New("the answer is no stream of events")
	errUnknown  = errors.New("an event is not what this client knows; is that a daemon of another version?")
)

// once is one connection; left tells that the caller wants no more.
func (s *session) once(ctx context.Context, c *Client, yield func(api.Event, error) bool) (left bool, err error) {
	ctx, end := context.WithCancel(ctx)
	defer end()
	var query url.Values
	if s.job != "" {
		query = url.Values{"job": {s.job}}
	}
	headers := []string{"Accept", "text/event-stream"}
	if s.after != "" {
		headers = append(headers, "Last-Event-ID", s.after)
	}
	answer, err := c.send(ctx, http.MethodGet, path("events"), query, nil, headers...)
	if err != nil {
		return false, err
	}
	defer func() { _ = answer.Body.Close() }() // it was only read
	if media, _, _ := mime.ParseMediaType(answer.Header.Get("Content-Type")); media != "text/event-stream" {
		return false, fmt.Errorf("GET %s: %w but %q", path("events"), errNoStream, media)
	}
	var alive atomic.Int64
	go c.endWhenQuiet(ctx, end, &alive)
	lines := newDecoder(answer.Body)
	lines.heard = func() { alive.Add(1) }
	s.heard = true
	if s.look != nil {
		if err := s.look(ctx); err != nil {
			return false, err
		}
	}
	if !yield(api.Event{Kind: opened}, nil) {
		return true, nil
	}
	for {
		m, err := lines.next()
		if err != nil {
			return false, err
		}
		if m.retry > 0 {
			s.pause = min(m.retry, mostPause)
		}
		if m.id != "" {
			s.after = m.id
		}
		if m.data == "" {
			continue
		}
		var e api.Event
		if err := json.Unmarshal([]byte(m.data), &e); err != nil {
			return false, fmt.Errorf("%w %w", errUnknown, err)
		}
		if e.Kind == opened {
			continue // none of the daemon's
		}
		if !yield(e, nil) {
			return true, nil
		}
	}
}

// endWhenQuiet ends a connection from which nothing has come for long: the daemon, or what stands between, is gone without a word.
func (c *Client) endWhenQuiet(ctx context.Context, end context.CancelFunc, alive *atomic.Int64) {
	for last := int64(-1); ; {
		if c.clock.Sleep(ctx, quietMost) != nil {
			return
		}
		now := alive.Load()
		if now == last {
			end()
			return
		}
		last = now
	}
}
