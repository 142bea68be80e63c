package fleet

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// keepTelling has the others know what this member is and how it stands.
func (l *Lab) keepTelling(ctx context.Context) {
	var told []byte
	var anew time.Time
	l.every(ctx, l.options.Lease, l.wakeAbout, func(ctx context.Context) {
		l.mu.Lock()
		ok := l.joined && l.taken == nil && l.lost.IsZero()
		began := l.began
		l.mu.Unlock()
		if !ok {
			return
		}
		about := l.options.Member.About()
		about.Name, about.Hub = l.options.Name, l.options.Hub
		data, err := json.Marshal(about)
		if err != nil || bytes.Equal(data, told) && anew.Equal(began) {
			return
		}
		asking, cancel := l.clock.WithTimeout(ctx, askWithin)
		defer cancel()
		if _, err := l.state.Put(asking, "about."+l.options.Name, data); err == nil {
			told, anew = data, began
		}
		_ = l.clock.Sleep(ctx, tellEvery) // what changes often is told now and then
	})
}

const (
	tellEvery  = 200 * time.Millisecond
	askAgain   = 500 * time.Millisecond
	eventBatch = 512 << 10
)

// Publish has the watchers of the hubs know of events, in order, each batch once: it tries until that is acknowledged, or ctx ends. id tells
// one batch from all others of this member.
func (l *Lab) Publish(ctx context.Context, id string, data []byte) error {
	if len(data) > eventBatch {
		return nil // watchers find out when they load anew
	}
	for {
		if l.Reachable() == "" {
			asking, cancel := l.clock.WithTimeout(ctx, askWithin)
			_, err := l.js.Publish(asking, l.options.Lab+".events."+l.options.Name, data, jetstream.WithMsgID(l.instance+id))
			cancel()
			if err == nil {
				return nil
			}
		}
		if err := l.clock.Sleep(ctx, askAgain); err != nil {
			return err
		}
	}
}

// Follow hands over the events of the other members from now on, until ctx ends.
func (l *Lab) Follow(ctx context.Context, do func(member string, data []byte)) {
	prefix := l.options.Lab + ".events."
	for ctx.Err() == nil {
		err := l.followEvents(ctx, func(m jetstream.Msg) {
			if member := strings.TrimPrefix(m.Subject(), prefix); member != l.options.Name {
				do(member, m.Data())
			}
		})
		if err != nil && ctx.Err() == nil {
			l.log("debug", "the events of the lab are followed anew", map[string]any{"error": err.Error()})
		}
		if l.clock.Sleep(ctx, askAgain) != nil {
			return
		}
	}
}

func (l *Lab) followEvents(ctx context.Context, do func(jetstream.Msg)) error {
	if l.Reachable() != "" {
		return nil
	}
	consumer, err := l.js.OrderedConsumer(ctx, l.eventStream(), jetstream.OrderedConsumerConfig{DeliverPolicy: jetstream.DeliverNewPolicy})
	if err != nil {
		return err
	}
	failed := make(chan error, 1)
	consuming, err := consumer.Consume(do, jetstream.ConsumeErrHandler(func(_ jetstream.ConsumeContext, err error) {
		l.log("debug", "the events of the lab", map[string]any{"error": err.Error()})
	}))
	if err != nil {
		return err
	}
	defer consuming.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-consuming.Closed():
		return nats.ErrConnectionClosed
	case err := <-failed:
		return err
	}
}
