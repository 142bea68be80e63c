package transport

import (
	"context"
	"time"

	"fourwire/internal/clock"
)

// WithGap returns a link that keeps a pause of at least gap between the end of one call and the next message sent, for interfaces that
// lose what comes too fast. The pause is taken on c (nil is the machine's clock); with none asked for, l itself is returned.
func WithGap(l Link, c clock.Clock, gap time.Duration) Link {
	if gap <= 0 {
		return l
	}
	return &paced{Link: l, clock: clock.Or(c), gap: gap}
}

type paced struct {
	Link
	clock clock.Clock
	gap   time.Duration
	last  time.Time // end of the last call
}

func (p *paced) Unwrap() Link { return p.Link }

func (p *paced) Send(ctx context.Context, msg []byte) error {
	if !p.last.IsZero() {
		if err := p.clock.Sleep(ctx, p.gap-p.clock.Since(p.last)); err != nil {
			return &Error{Op: "send", Address: addressOf(p.Link), Err: Interrupted(ctx, "nothing was sent")}
		}
	}
	defer p.mark()
	return p.Link.Send(ctx, msg)
}

func (p *paced) Receive(ctx context.Context, into []byte) ([]byte, error) {
	defer p.mark()
	return p.Link.Receive(ctx, into)
}

func (p *paced) mark() { p.last = p.clock.Now() }

// addressOf names a link in an error of a wrapper.
func addressOf(l Link) string {
	if named, ok := As[interface{ Address() Address }](l); ok {
		return named.Address().String()
	}
	return "link"
}
