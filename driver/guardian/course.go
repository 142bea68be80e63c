package guardian

import (
	"context"
	"slices"
	"sync/atomic"
	"time"
)

// Course is one of several courses of events that go on at the same time in the process that runs sequences, such as the run of one site. The heart
// beats only while every one of them makes progress: one that stands still with an output on is not covered up by the others.
type Course struct {
	heart *Heart
	until atomic.Int64
}

type courseKey struct{}

// Course begins a course of events. What is said with the context that it gives, and with those made of it, is its progress.
func (h *Heart) Course(ctx context.Context) (context.Context, *Course) {
	c := &Course{heart: h}
	c.Busy(0)
	h.mu.Lock()
	h.courses = append(h.courses, c)
	h.mu.Unlock()
	return context.WithValue(ctx, courseKey{}, c), c
}

// Busy tells that nothing may be heard of this course for so long, and a little more.
func (c *Course) Busy(d time.Duration) { c.until.Store(c.heart.now() + int64(max(0, d)+Slack)) }

// End ends it: no progress of it is waited for any more.
func (c *Course) End() {
	c.heart.Busy(0) // for what comes behind the last one
	c.heart.mu.Lock()
	defer c.heart.mu.Unlock()
	c.heart.courses = slices.DeleteFunc(c.heart.courses, func(o *Course) bool { return o == c })
}

// granted is until when progress is taken for granted.
func (h *Heart) granted() int64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.courses) == 0 {
		return h.until.Load()
	}
	least := h.courses[0].until.Load()
	for _, c := range h.courses[1:] {
		least = min(least, c.until.Load())
	}
	return least
}

// busy is [Heart.Busy] of the course that ctx belongs to.
func (h *Heart) busy(ctx context.Context, d time.Duration) {
	if c, ok := ctx.Value(courseKey{}).(*Course); ok && c.heart == h {
		c.Busy(d)
		return
	}
	h.Busy(d)
}
