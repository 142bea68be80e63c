package fleet

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"fourwire/daemon/queue"
)

// beat is the entry by which a member shows that it is there: whoever changes it last has the name.
type beat struct {
	Identity string `json:"identity"`
	Instance string `json:"instance"`
	Host     string `json:"host"`
	Left     bool   `json:"left,omitempty"`
	N        int    `json:"n"`
}

func (l *Lab) beatEvery() time.Duration { return l.options.Lease / beatsInLease }

// Join makes this member known. ErrTaken says that another daemon has its name. Where the cluster is not reachable it returns
// ErrUnreachable after 3 s, since a bench may have outputs on that have to be seen to, and Run goes on trying.
func (l *Lab) Join(ctx context.Context, within time.Duration) error {
	trying, cancel := l.clock.WithTimeout(ctx, within)
	defer cancel()
	begun := l.clock.Now()
	for {
		err := l.join(trying)
		switch {
		case err == nil, errors.Is(err, ErrTaken):
			return err
		case trying.Err() != nil || !l.conn.IsConnected() && l.clock.Since(begun) > min(within, connectWithin) || l.clock.Sleep(trying, 100*time.Millisecond) != nil:
			return fmt.Errorf("%w: %w", ErrUnreachable, err)
		}
	}
}

func (l *Lab) join(ctx context.Context) error {
	asking, cancel := l.clock.WithTimeout(ctx, askWithin)
	defer cancel()
	if !l.conn.IsConnected() {
		l.mu.Lock()
		defer l.mu.Unlock()
		if l.refusal != nil {
			return fmt.Errorf("no server answers: %w", l.refusal)
		}
		return errors.New("no server answers")
	}
	if err := l.open(asking); err != nil {
		return err
	}
	rev, err := l.takeName(ctx)
	if err != nil {
		return err
	}
	now := l.clock.Now()
	l.mu.Lock()
	l.joined, l.beat, l.beaten, l.lost, l.began = true, rev, now, time.Time{}, now
	l.mu.Unlock()
	l.again()
	l.log("info", "joined the lab", map[string]any{"lab": l.options.Lab, "as": l.options.Name})
	return nil
}

// takeName wins the entry of this member's name.
func (l *Lab) takeName(ctx context.Context) (uint64, error) {
	key := "beat." + l.options.Name
	var first uint64
	begun := l.clock.Now()
	for {
		asking, cancel := l.clock.WithTimeout(ctx, askWithin)
		entry, err := l.state.Get(asking, key)
		var rev uint64
		switch {
		case errors.Is(err, jetstream.ErrKeyNotFound):
			rev, err = l.state.Create(asking, key, l.beatNow(false))
		case err == nil:
			there, _ := decode[beat](entry.Value())
			switch {
			case there.Identity == l.options.Identity || there.Left || entry.Revision() == first && l.clock.Since(begun) > l.options.Lease:
				rev, err = l.state.Update(asking, key, l.beatNow(false), entry.Revision())
			case first != 0 && entry.Revision() != first:
				cancel()
				return 0, fmt.Errorf("%w: another daemon of this lab, on %s, is called %s: give this one another name", ErrTaken, there.Host, l.options.Name)
			default:
				first = entry.Revision()
				cancel()
				if err := l.clock.Sleep(ctx, l.beatEvery()/2); err != nil { // whether it still lives shows in a moment
					return 0, err
				}
				continue
			}
		}
		cancel()
		if !conflict(err) {
			return rev, err
		}
	}
}

func (l *Lab) beatNow(left bool) []byte {
	l.mu.Lock()
	n := int(l.beat)
	l.mu.Unlock()
	host, _ := os.Hostname() // only said
	data, _ := json.Marshal(beat{Identity: l.options.Identity, Instance: l.instance, Host: host, Left: left, N: n})
	return data
}

// keepBeating renews the lease, and notes whose lease has run out.
func (l *Lab) keepBeating(ctx context.Context) {
	l.every(ctx, l.beatEvery(), l.wakeBeat, func(ctx context.Context) {
		l.mu.Lock()
		joined, taken := l.joined, l.taken
		l.mu.Unlock()
		switch {
		case taken != nil:
		case joined:
			l.renew(ctx)
			l.watchLeases(ctx)
		default:
			if err := l.join(ctx); errors.Is(err, ErrTaken) {
				l.refused(err)
			}
		}
	})
}

func (l *Lab) refused(err error) {
	l.mu.Lock()
	l.taken = err
	l.mu.Unlock()
	l.log("error", err.Error(), nil)
	l.options.Member.SeenMembers()
}

// renew changes the entry of this member's name once more.
func (l *Lab) renew(ctx context.Context) {
	asking, cancel := l.clock.WithTimeout(ctx, max(l.beatEvery(), time.Second))
	defer cancel()
	l.mu.Lock()
	last := l.beat
	l.mu.Unlock()
	key := "beat." + l.options.Name
	rev, err := l.state.Update(asking, key, l.beatNow(false), last)
	if conflict(err) { // one that was not acknowledged may have arrived
		var entry jetstream.KeyValueEntry
		if entry, err = l.state.Get(asking, key); err == nil {
			if there, ok := decode[beat](entry.Value()); ok && there.Instance != l.instance {
				l.refused(fmt.Errorf("%w: another daemon, on %s, is called %s now", ErrTaken, there.Host, l.options.Name))
				return
			}
			rev, err = l.state.Update(asking, key, l.beatNow(false), entry.Revision())
		}
	}
	if ctx.Err() != nil {
		return
	}
	if err != nil {
		l.cut(err)
		return
	}
	now := l.clock.Now()
	l.mu.Lock()
	was := l.lost
	l.beat, l.beaten = rev, now
	if !was.IsZero() {
		l.lost, l.began = time.Time{}, now
	}
	l.mu.Unlock()
	if !was.IsZero() {
		l.log("info", "the cluster is reachable again", map[string]any{"away_s": now.Sub(was).Seconds()})
		l.again()
		l.options.Member.SeenMembers()
	}
}

// leave says that this member is gone in order.
func (l *Lab) leave() {
	l.mu.Lock()
	ok, last := l.joined && l.taken == nil && l.lost.IsZero(), l.beat
	l.mu.Unlock()
	if !ok {
		return
	}
	asking, cancel := l.clock.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if _, err := l.state.Update(asking, "beat."+l.options.Name, l.beatNow(true), last); err != nil {
		l.log("warn", "the lab could not be told that this member leaves", map[string]any{"error": err.Error()})
	}
}

// watchLeases sees to the jobs of members whose lease has run out.
func (l *Lab) watchLeases(ctx context.Context) {
	now := l.clock.Now()
	var gone []Peer
	var again bool
	l.mu.Lock()
	sure := l.unreachable() == "" && now.Sub(l.began) > l.options.Lease // otherwise it may be this member that does not hear
	for name, p := range l.peers {
		if name == l.options.Name {
			continue
		}
		silent := p.Left || sure && now.Sub(p.Heard) > l.options.Lease
		if silent && !p.Gone {
			p.Gone, again = true, true
		}
		if silent {
			gone = append(gone, *p)
		}
	}
	var theirs []queue.Job
	for _, j := range l.jobs {
		for _, p := range gone {
			if j.Holder == p.Name && !j.State.Ended() {
				theirs = append(theirs, j)
			}
		}
	}
	l.mu.Unlock()
	if again {
		l.options.Member.SeenMembers()
	}
	for _, j := range theirs {
		l.lostOwner(ctx, j)
	}
}

// lostOwner sees to a job whose bench has vanished: it goes back where it has not been begun, and is reported where it has.
func (l *Lab) lostOwner(ctx context.Context, j queue.Job) {
	owner := j.Holder
	if len(j.Attempts) == 0 && j.State == queue.Queued && j.Resumes == "" {
		j.Holder, j.Epoch = "", j.Epoch+1 // the old owner cannot begin it any more
	} else {
		now := l.clock.Now().UTC()
		j.State, j.Lost, j.Ended = queue.Interrupted, true, now
		j.Reason = fmt.Sprintf("the bench %s has not been heard of since its lease ran out at %s UTC; whether its outputs are off is not known", owner, now.Format("15:04:05"))
		j.Hint = "look at the bench before you touch it or run the job again; when its daemon is back it verifies that its outputs are off, and says how far the job came"
	}
	asking, cancel := l.clock.WithTimeout(ctx, askWithin)
	defer cancel()
	if _, err := l.put(asking, j); err != nil {
		if !conflict(err) {
			l.log("warn", "a job of a bench that has vanished", map[string]any{"job": j.ID, "error": err.Error()})
		}
		return
	}
	l.log("warn", "a bench has vanished", map[string]any{"bench": owner, "job": j.ID, "state": string(j.State), "reason": j.Reason})
}
