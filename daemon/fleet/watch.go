package fleet

import (
	"context"
	"errors"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"fourwire/daemon/queue"
)

// keepWatching follows the entries of the lab, and reads them all anew whenever the connection has been gone.
func (l *Lab) keepWatching(ctx context.Context) {
	l.every(ctx, time.Second, l.wakeWatch, func(ctx context.Context) {
		l.mu.Lock()
		joined := l.joined
		l.mu.Unlock()
		if !joined || !l.conn.IsConnected() {
			return
		}
		if err := l.watch(ctx); err != nil && ctx.Err() == nil {
			l.log("debug", "the lab is read anew", map[string]any{"error": err.Error()})
		}
	})
}

var errAnew = errors.New("the connection has been gone in between")

// watch reads all entries, then follows them until ctx ends or the connection has been gone.
func (l *Lab) watch(ctx context.Context) error {
	starting, cancel := l.clock.WithTimeout(ctx, askWithin)
	defer cancel()
	watching, stop := context.WithCancel(ctx)
	defer stop()
	watcher, err := l.state.WatchAll(watching)
	if err != nil {
		return err
	}
	defer func() { _ = watcher.Stop() }() // the connection may be gone
	there := map[string]bool{}            // keys
	for {
		select {
		case entry, open := <-watcher.Updates():
			switch {
			case !open:
				return errAnew
			case entry == nil:
				l.whole(there)
				there = nil
				cancel()
				starting = ctx
			default:
				if there != nil && entry.Operation() == jetstream.KeyValuePut {
					there[entry.Key()] = true
				}
				l.entry(entry)
			}
		case <-l.wakeWatch:
			wake(l.wakeWatch) // for the next one
			return errAnew
		case <-starting.Done():
			return context.Cause(starting)
		}
	}
}

// whole notes that all entries have been read: what was known and was not among them is gone.
func (l *Lab) whole(there map[string]bool) {
	l.mu.Lock()
	for id := range l.jobs {
		if !there["job."+id] {
			delete(l.jobs, id)
		}
	}
	for id, by := range l.fits {
		for bench := range by {
			if !there["fit."+id+"."+bench] {
				delete(by, bench)
			}
		}
	}
	l.loaded = true
	l.mu.Unlock()
	l.options.Member.SeenMembers()
	l.Changed()
	wake(l.wakeShip)
}

func (l *Lab) entry(e jetstream.KeyValueEntry) {
	kind, rest, _ := strings.Cut(e.Key(), ".")
	gone := e.Operation() != jetstream.KeyValuePut
	switch kind {
	case "job":
		if gone {
			l.mu.Lock()
			delete(l.jobs, rest)
			delete(l.fits, rest)
			l.mu.Unlock()
			return
		}
		if j, ok := decode[queue.Job](e.Value()); ok && j.ID == rest {
			j.Revision = e.Revision()
			l.see(j)
		}
	case "fit":
		id, bench, _ := strings.Cut(rest, ".")
		l.mu.Lock()
		if gone {
			delete(l.fits[id], bench)
		} else {
			if l.fits[id] == nil {
				l.fits[id] = map[string]string{}
			}
			l.fits[id][bench] = string(e.Value())
		}
		j, known := l.jobs[id]
		loaded := l.loaded
		l.mu.Unlock()
		if known && loaded {
			l.options.Member.Seen(j)
		}
	case "about":
		if a, ok := decode[About](e.Value()); ok && a.Name == rest {
			l.mu.Lock()
			l.peer(rest).About = a
			loaded := l.loaded
			l.mu.Unlock()
			if loaded {
				l.options.Member.SeenMembers()
			}
		}
	case "beat":
		b, _ := decode[beat](e.Value())
		l.mu.Lock()
		p := l.peer(rest)
		if e.Revision() > l.beats[rest] {
			l.beats[rest] = e.Revision()
			p.Heard, p.Left = l.clock.Now(), b.Left
			if !b.Left {
				p.Gone = false
			}
		}
		l.mu.Unlock()
	}
}

// peer is what is known of a member. The caller holds mu.
func (l *Lab) peer(name string) *Peer {
	if l.peers[name] == nil {
		l.peers[name] = &Peer{Heard: l.clock.Now()}
	}
	return l.peers[name]
}
