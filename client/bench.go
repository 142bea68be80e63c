package client

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"fourwire/daemon/api"
	"fourwire/quantity"
)

// Health says that the daemon works, and whether it wants a token. It wants none itself.
func (c *Client) Health(ctx context.Context) (api.Alive, error) {
	return call[api.Alive](ctx, c, http.MethodGet, path("health"), nil, nil)
}

// Session tells who the daemon takes the client for, and what that may do.
func (c *Client) Session(ctx context.Context) (api.Session, error) {
	return call[api.Session](ctx, c, http.MethodGet, path("session"), nil, nil)
}

// Bench is the bench at a glance: instruments, their health, what is on, whose it is.
func (c *Client) Bench(ctx context.Context) (api.Bench, error) {
	return call[api.Bench](ctx, c, http.MethodGet, path("bench"), nil, nil)
}

// OutputsOff stops every run, switches every output off and verifies it; the bench is disarmed after it. Read the answer: Safe tells whether
// everything is verified to be off. It is a software stop and no emergency stop. Where no answer comes, somebody has to look at the bench.
func (c *Client) OutputsOff(ctx context.Context) (api.OffReport, error) {
	return call[api.OffReport](ctx, c, http.MethodPost, path("outputs-off"), nil, nil)
}

// Arm lets jobs energise the bench, for so long; 0 is until the daemon ends, outputs are switched off, or the bench is disarmed. Who arms has made
// sure that the hook-up is right and that nobody can touch it.
func (c *Client) Arm(ctx context.Context, within time.Duration) (api.Bench, error) {
	a := api.Arming{Armed: true}
	if within > 0 {
		a.For = quantity.Of(within.Seconds(), quantity.Time).String()
	}
	return call[api.Bench](ctx, c, http.MethodPost, path("arm"), nil, a)
}

// Disarm keeps further jobs from energising the bench. What runs goes on.
func (c *Client) Disarm(ctx context.Context) (api.Bench, error) {
	return call[api.Bench](ctx, c, http.MethodPost, path("arm"), nil, api.Arming{})
}

// Lab is the benches that share their work with this one; Joined is false where the daemon is alone.
func (c *Client) Lab(ctx context.Context) (api.Lab, error) {
	return call[api.Lab](ctx, c, http.MethodGet, path("lab"), nil, nil)
}

// OutputsOffAt is [Client.OutputsOff] of another bench of the lab. Read the answer: it says so where that bench does not answer.
func (c *Client) OutputsOffAt(ctx context.Context, bench string) (api.OffReport, error) {
	return call[api.OffReport](ctx, c, http.MethodPost, path("lab", bench, "outputs-off"), nil, nil)
}

// Audit gives the newest lines of the audit log, newest first: who did what. It takes an admin.
func (c *Client) Audit(ctx context.Context, most int) ([]api.AuditLine, error) {
	lines, err := call[api.AuditLines](ctx, c, http.MethodGet, path("audit"), url.Values{"limit": {strconv.Itoa(most)}}, nil)
	return lines.Entries, err
}

// Sequences lists the sequences that jobs may name, and how the bench serves them.
func (c *Client) Sequences(ctx context.Context) ([]api.Sequence, error) {
	list, err := call[api.Sequences](ctx, c, http.MethodGet, path("sequences"), nil, nil)
	return list.Sequences, err
}

// Sequence gives one of them with its text.
func (c *Client) Sequence(ctx context.Context, name string) (api.Sequence, error) {
	return call[api.Sequence](ctx, c, http.MethodGet, names([]string{"sequences"}, name), nil, nil)
}
