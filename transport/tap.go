package transport

import (
	"context"
	"time"

	"fourwire/internal/clock"
)

// What a Tap is told about a message.
const (
	TapSent     byte = '>' // sent whole
	TapReceived byte = '<' // received whole
	TapCut      byte = '!' // the call failed; the bytes are what had come, or what should have been sent
)

// Tap is told of every message of one link, both ways: the wall time, the time since the tap's start (monotonic), which way it
// went (TapSent, TapReceived, TapCut) and its bytes without those the link adds or strips (the terminator). The bytes
// may not be kept or changed. A message that goes out is stamped before it is written, one that comes in when it is whole.
// A tap is called on the goroutine that uses the link, and has to be safe for concurrent use where several links share it.
type Tap = func(wall time.Time, since time.Duration, way byte, message []byte)

// WithTap returns a link that tells tap of everything that goes through l. since is counted from start on c (nil is the machine's clock).
func WithTap(l Link, c clock.Clock, start time.Time, tap Tap) Link {
	if tap == nil {
		return l
	}
	return &tapped{Link: l, clock: clock.Or(c), start: start, tap: tap}
}

type tapped struct {
	Link
	clock clock.Clock
	start time.Time
	tap   Tap
}

func (t *tapped) Unwrap() Link { return t.Link }

func (t *tapped) Send(ctx context.Context, msg []byte) error {
	now := t.clock.Now()
	err := t.Link.Send(ctx, msg)
	way := TapSent
	if err != nil {
		way = TapCut
	}
	t.tap(now, now.Sub(t.start), way, msg)
	return err
}

func (t *tapped) Receive(ctx context.Context, into []byte) ([]byte, error) {
	msg, err := t.Link.Receive(ctx, into)
	now := t.clock.Now()
	way := TapReceived
	if err != nil {
		way = TapCut
	}
	t.tap(now, now.Sub(t.start), way, msg)
	return msg, err
}
