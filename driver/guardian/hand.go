package guardian

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"fourwire/driver"
)

// hand is the guardian's way to one instrument.
type hand struct {
	place
	guard *guard

	busy    sync.Mutex         // held while the instrument is spoken to; guards what follows
	in      *driver.Instrument // nil: not connected
	problem string             // why it is not
	dog     bool               // the watchdog is armed
	watched bool               // so it is; set by arm alone, for feed
}

const (
	openWithin   = 5 * time.Second        // at the start
	againWithin  = 500 * time.Millisecond // to open a connection once power is to go off
	firstTry     = 250 * time.Millisecond // to switch off on the connection that stands
	laterTry     = time.Second
	retrySoon    = 10 * time.Millisecond // between tries, in the first second
	retryLater   = 500 * time.Millisecond
	endRunnerAt  = 80 * time.Millisecond // without a connection for so long, the run is ended that has it
	complainAt   = 2 * time.Second
	tryFor       = 30 * time.Minute // a cable that is plugged in again finds the guardian still there
	watchdogSend = 100 * time.Millisecond
)

// open connects and checks who answers.
func (h *hand) open(ctx context.Context, within time.Duration) error {
	g := h.guard
	ctx, cancel := g.clock.WithTimeout(ctx, within)
	defer cancel()
	link, err := g.config.Dial(ctx, h.address, g.orders.BaseDir)
	if err != nil {
		return err
	}
	in, err := driver.Open(ctx, driver.Config{Name: h.Name, Address: h.Address, Model: h.model, Link: link, Clock: g.clock, Expect: h.Expect})
	if err != nil {
		return errors.Join(err, link.Close())
	}
	h.in, h.problem = in, ""
	return nil
}

// connected tells whether there is a connection.
func (h *hand) connected() bool {
	h.busy.Lock()
	defer h.busy.Unlock()
	return h.in != nil
}

func (h *hand) close() {
	if h.in != nil {
		_ = h.in.Close() // of no use any more
		h.in = nil
	}
}

// each lets every hand do something at the same time and waits for all.
func (g *guard) each(do func(*hand)) {
	var all sync.WaitGroup
	for _, h := range g.hands {
		all.Go(func() { do(h) })
	}
	all.Wait()
}

// reach opens a connection to every instrument that takes more than one.
func (g *guard) reach(ctx context.Context) {
	g.each(func(h *hand) {
		if h.held {
			return
		}
		if err := h.open(ctx, openWithin); err != nil {
			h.problem = err.Error()
		}
	})
}

// arm arms the watchdogs that there are.
func (g *guard) arm(ctx context.Context) error {
	var mu sync.Mutex
	var all error
	g.each(func(h *hand) {
		h.busy.Lock()
		defer h.busy.Unlock()
		if h.in == nil || !h.in.HasWatchdog() {
			return
		}
		ctx, cancel := g.clock.WithTimeout(ctx, openWithin)
		defer cancel()
		err := h.in.ArmWatchdog(ctx, WatchdogAfter)
		h.dog, h.watched = err == nil, err == nil
		if err != nil {
			mu.Lock()
			all = errors.Join(all, fmt.Errorf("the watchdog of %s cannot be armed: %w", h.Name, err))
			mu.Unlock()
		}
	})
	return all
}

// feed tells the watchdogs that all is well. One that cannot be fed acts, which is what it is for.
func (g *guard) feed(ctx context.Context) {
	for _, h := range g.hands {
		if h.watched {
			go h.feed(ctx)
		}
	}
}

func (h *hand) feed(ctx context.Context) {
	h.busy.Lock()
	defer h.busy.Unlock()
	ctx, cancel := h.guard.clock.WithTimeout(ctx, watchdogSend)
	defer cancel()
	if h.in != nil {
		_ = h.in.FeedWatchdog(ctx)
	}
}

func (g *guard) disarm(ctx context.Context) {
	g.each(func(h *hand) {
		h.busy.Lock()
		defer h.busy.Unlock()
		if !h.dog || h.in == nil {
			return
		}
		ctx, cancel := g.clock.WithTimeout(ctx, laterTry)
		defer cancel()
		if err := h.in.DisarmWatchdog(ctx); err != nil {
			g.note("warn", fmt.Sprintf("the watchdog of %s is still armed: %v", h.Name, err), nil)
		}
	})
}
