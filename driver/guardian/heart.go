package guardian

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"fourwire/internal/clock"
	"fourwire/transport"
)

// ErrRelieved is in every error of a run that the guardian has relieved.
var ErrRelieved = errors.New("the guardian has taken the bench over and makes it safe")

// Heart is the side of the process that runs a sequence. Its methods may be called from several goroutines; Watch and Start come first.
type Heart struct {
	clock clock.Clock
	begun time.Time
	lost  func(error) // told once when the guardian has gone or has taken over

	until      atomic.Int64 // ns since begun until which progress is taken for granted
	heard      atomic.Int64 // when the guardian was last heard of
	unanswered atomic.Int64 // when the first beat without a pulse was sent; 0: none
	armed      atomic.Bool
	ended      atomic.Bool
	gone       atomic.Bool // the guardian is

	mu       sync.Mutex // guards what follows
	to       io.Writer
	relieved error
	lostTold bool
	courses  []*Course // that go on at the same time; none: there is one

	answers chan string   // armed, refused
	reports chan Report   // what the guardian has done
	over    chan struct{} // closed when the guardian's pipe ends
}

// NewHeart makes a heart that does not beat yet. Real time is meant: c is the machine's clock, or one for tests that passes by itself.
func NewHeart(c clock.Clock) *Heart {
	c = clock.Or(c)
	return &Heart{clock: c, begun: c.Now(), answers: make(chan string, 1), reports: make(chan Report, 1), over: make(chan struct{})}
}

func (h *Heart) now() int64 { return int64(h.clock.Since(h.begun)) }

// Start gives the guardian its orders over to, and waits until it says over from how it reaches the instruments. lost is told, once, when the
// guardian has gone (ErrGone) or has taken over (ErrRelieved). ctx ends the beat.
func (h *Heart) Start(ctx context.Context, to io.Writer, from io.Reader, o Orders, lost func(error)) ([]Hand, error) {
	o.Format = Version
	line, err := json.Marshal(o)
	if err != nil {
		return nil, err
	}
	h.to, h.lost = to, lost
	if err := h.say(string(line)); err != nil {
		return nil, fmt.Errorf("the guardian does not take its orders: %w", err)
	}
	ready := make(chan string, 1)
	go h.listen(from, ready)
	text, err := h.await(ctx, ready, 30*time.Second)
	if err != nil {
		return nil, err
	}
	var hands []Hand
	if err := json.Unmarshal([]byte(text), &hands); err != nil {
		return nil, fmt.Errorf("the guardian's answer cannot be read: %w", err)
	}
	go h.beat(ctx)
	return hands, nil
}

// ErrGone is in the error that says that the guardian is gone.
var ErrGone = errors.New("the guardian process is gone")

// await waits for an answer.
func (h *Heart) await(ctx context.Context, answers <-chan string, longest time.Duration) (string, error) {
	ctx, cancel := h.clock.WithTimeout(ctx, longest)
	defer cancel()
	select {
	case text := <-answers:
		if why, refused := strings.CutPrefix(text, "refused "); refused {
			return "", errors.New(why)
		}
		return text, nil
	case <-h.over:
		return "", ErrGone
	case <-ctx.Done():
		return "", fmt.Errorf("the guardian does not answer: %w", context.Cause(ctx))
	}
}

func (h *Heart) say(line string) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	_, err := io.WriteString(h.to, line+"\n")
	return err
}

// listen takes what the guardian says until its pipe ends.
func (h *Heart) listen(from io.Reader, ready chan<- string) {
	defer close(h.over)
	lines := bufio.NewReader(from)
	for {
		line, err := lines.ReadString('\n')
		if err != nil {
			if !h.ended.Load() {
				h.fail(ErrGone)
			}
			return
		}
		verb, rest, _ := strings.Cut(strings.TrimSuffix(line, "\n"), " ")
		switch verb {
		case "pulse":
			h.unanswered.Store(0)
			h.heard.Store(h.now())
		case "ready":
			offer(ready, rest)
		case "refused":
			offer(ready, "refused "+rest)
			offer(h.answers, "refused "+rest)
		case "armed":
			offer(h.answers, "armed")
		case "relieved":
			h.relieve(rest)
		case "safe":
			var r Report
			if json.Unmarshal([]byte(rest), &r) == nil {
				offer(h.reports, r)
			}
		}
	}
}

func offer[T any](c chan<- T, v T) {
	select {
	case c <- v:
	default:
	}
}

func (h *Heart) relieve(why string) {
	err := fmt.Errorf("%w: %s", ErrRelieved, why)
	h.mu.Lock()
	if h.relieved == nil {
		h.relieved = err
	}
	h.mu.Unlock()
	h.fail(err)
}

// fail tells the first reason why this run is not guarded any more.
func (h *Heart) fail(err error) {
	if errors.Is(err, ErrGone) {
		h.gone.Store(true)
	}
	h.mu.Lock()
	told := h.lostTold
	h.lostTold = true
	h.mu.Unlock()
	if !told && h.lost != nil {
		h.lost(err)
	}
}

// beat beats while progress is granted, and looks whether the guardian answers.
func (h *Heart) beat(ctx context.Context) {
	last := h.now()
	for h.clock.Sleep(ctx, BeatEvery) == nil && !h.ended.Load() && !h.gone.Load() {
		now := h.now()
		held := now-last > int64(4*BeatEvery) // this process stood still: what was missed may be in the pipe
		last = now
		if !h.armed.Load() {
			continue
		}
		first := h.unanswered.Load()
		switch {
		case first != 0 && held:
			h.unanswered.Store(now)
		case first != 0 && now-first > int64(PulseWithin):
			h.fail(fmt.Errorf("%w, or stands still: %v without an answer", ErrGone, PulseWithin))
			return
		}
		if now > h.granted() {
			continue
		}
		h.unanswered.CompareAndSwap(0, now)
		if err := h.say("beat"); err != nil {
			h.fail(fmt.Errorf("%w: %w", ErrGone, err))
			return
		}
	}
}

// Arm starts the guard: from now on a beat that stays out has the bench switched off, and instruments with a watchdog have theirs armed.
func (h *Heart) Arm(ctx context.Context) error {
	h.Busy(10 * time.Second)
	h.heard.Store(h.now())
	h.armed.Store(true)
	if err := h.say("arm"); err != nil {
		return fmt.Errorf("%w: %w", ErrGone, err)
	}
	_, err := h.await(ctx, h.answers, 10*time.Second)
	h.Busy(0)
	return err
}

// Busy tells that nothing may be heard of the run for so long, and a little more.
func (h *Heart) Busy(d time.Duration) { h.until.Store(h.now() + int64(max(0, d)+Slack)) }

// Relieved is the error of a run that the guardian has relieved; nil while it has not.
func (h *Heart) Relieved() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.relieved
}

// End ends the guard. A run that has left the bench safe says so, and the guardian goes. One that could not, or was relieved, gets the report of
// the guardian, which switches off by its own means.
func (h *Heart) End(ctx context.Context, unsafe error) (report *Report, err error) {
	defer func() {
		h.ended.Store(true)
		err = errors.Join(err, h.say("end"))
		if errors.Is(err, io.ErrClosedPipe) || h.gone.Load() {
			err = nil
		}
	}()
	if !h.armed.Load() || h.gone.Load() {
		return nil, nil
	}
	if h.Relieved() == nil {
		if unsafe == nil {
			return nil, nil
		}
		if err := h.say("relieve " + strings.ReplaceAll(unsafe.Error(), "\n", " ")); err != nil {
			return nil, err
		}
	}
	ctx, cancel := h.clock.WithTimeout(ctx, reportWithin)
	defer cancel()
	select {
	case r := <-h.reports:
		return &r, nil
	case <-h.over:
		return nil, ErrGone
	case <-ctx.Done():
		return nil, errors.New("the guardian has not reported in time; it is still trying to switch off")
	}
}

// reportWithin is how long a run waits for the guardian's report: longer than a usual discharge.
const reportWithin = 20 * time.Second

// Watch gives a link whose every message counts as progress, and which sends nothing any more once the guardian has taken over.
func (h *Heart) Watch(l transport.Link) transport.Link {
	w := &watched{Link: l, heart: h}
	if r, ok := transport.As[transport.Redialer](l); ok {
		return &watchedRedialer{w, r}
	}
	return w
}

type watched struct {
	transport.Link
	heart *Heart
}

func (w *watched) Unwrap() transport.Link { return w.Link }

func (w *watched) Send(ctx context.Context, msg []byte) error {
	w.heart.busyFor(ctx)
	if err := w.heart.admit(ctx); err != nil {
		return err
	}
	defer w.heart.busy(ctx, 0)
	return w.Link.Send(ctx, msg)
}

func (w *watched) Receive(ctx context.Context, into []byte) ([]byte, error) {
	w.heart.busyFor(ctx)
	defer w.heart.busy(ctx, 0)
	return w.Link.Receive(ctx, into)
}

type watchedRedialer struct {
	*watched
	redialer transport.Redialer
}

func (w *watchedRedialer) Redial(ctx context.Context) error {
	w.heart.busyFor(ctx)
	defer w.heart.busy(ctx, 0)
	return w.redialer.Redial(ctx)
}

// unlimited is granted to a call without a deadline.
const unlimited = 10 * time.Second

// busyFor announces a call that may last until its deadline.
func (h *Heart) busyFor(ctx context.Context) {
	if deadline, ok := ctx.Deadline(); ok {
		h.busy(ctx, deadline.Sub(h.clock.Now()))
		return
	}
	h.busy(ctx, unlimited)
}

// admit lets a message through while this side has the bench. Where nothing has been heard of the guardian for most of the time after which it takes
// over, this process may have stood still: then it waits for the news.
func (h *Heart) admit(ctx context.Context) error {
	for h.armed.Load() {
		if err := h.Relieved(); err != nil {
			return err
		}
		if h.gone.Load() || h.now()-h.heard.Load() < int64(BeatWithin*3/4) {
			return nil
		}
		if err := h.clock.Sleep(ctx, 2*time.Millisecond); err != nil {
			return transport.Interrupted(ctx, "nothing was sent")
		}
	}
	return nil
}
