package daemon

import (
	"context"
	"sync"
	"time"

	"fourwire/daemon/api"
)

const (
	healthEvery = time.Minute
	healthAgain = 5 * time.Second  // where an instrument was needed for something else
	healthLost  = 15 * time.Second // where one cannot be reached
	probeWithin = 10 * time.Second
)

// probing keeps questions to idle instruments apart from whoever needs them. The zero value is ready.
type probing struct {
	mu    sync.Mutex // guards what follows
	taken int        // guardians that have the whole bench
	under map[string]*probe
}

type probe struct {
	cancel context.CancelFunc
	done   chan struct{}
}

// begin notes that an instrument is about to be asked; ok is false where it must not be.
func (p *probing) begin(name string, cancel context.CancelFunc) (end func(), ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.taken > 0 {
		return nil, false
	}
	if p.under == nil {
		p.under = map[string]*probe{}
	}
	one := &probe{cancel, make(chan struct{})}
	p.under[name] = one
	return func() {
		p.mu.Lock()
		delete(p.under, name)
		p.mu.Unlock()
		close(one.done)
	}, true
}

// stop ends the questions to some instruments, or to all, and waits until their wires are free.
func (p *probing) stop(only []string) {
	p.mu.Lock()
	var all []*probe
	for name, one := range p.under {
		wanted := only == nil
		for _, n := range only {
			wanted = wanted || n == name
		}
		if wanted {
			all = append(all, one)
		}
	}
	p.mu.Unlock()
	for _, one := range all {
		one.cancel()
		<-one.done
	}
}

// guarding notes that a guardian has the bench, or has it no more.
func (d *Daemon) guarding(n int) {
	d.probing.mu.Lock()
	d.probing.taken += n
	d.probing.mu.Unlock()
	if n > 0 {
		d.probing.stop(nil)
	}
}

// watchHealth asks every instrument that no job has, now and then, who it is and what its error queue holds.
func (d *Daemon) watchHealth(ctx context.Context) {
	for {
		changed, pause := false, healthEvery
		for _, in := range d.config.Desk.Description().Instruments {
			if ctx.Err() != nil {
				return
			}
			h, ok := d.ask(ctx, in.Name)
			if !ok {
				pause = min(pause, healthAgain)
				continue
			}
			if h.State == "unreachable" {
				pause = min(pause, healthLost)
			}
			d.mu.Lock()
			before := d.health[in.Name]
			h = following(before, h)
			d.health[in.Name] = h
			d.mu.Unlock()
			if before.State != h.State {
				d.log.Info().Str("instrument", in.Name).Str("was", before.State).Str("state", h.State).Str("error", h.Error).Msg("health")
			}
			changed = changed || before.State != h.State || before.Error != h.Error || before.LastError != h.LastError
		}
		if changed {
			d.tellBench()
		}
		if d.clock.Sleep(ctx, pause) != nil {
			return
		}
	}
}

// following is what is known of an instrument after it has been asked again.
func following(before, h api.Health) api.Health {
	h.Since = h.Checked
	if before.State == h.State {
		h.Since = before.Since
	}
	if h.Identity == "" {
		h.Identity = before.Identity
	}
	h.LastError, h.LastAt = before.LastError, before.LastAt
	if h.State == "warning" {
		h.LastError, h.LastAt = h.Error, h.Checked
	}
	return h
}

// ask asks one instrument; ok is false where it is needed for something else.
func (d *Daemon) ask(ctx context.Context, name string) (h api.Health, ok bool) {
	if !d.queue.Ready() {
		return h, false
	}
	asking, cancel := d.clock.WithTimeout(ctx, probeWithin)
	defer cancel()
	end, ok := d.probing.begin(name, cancel)
	if !ok {
		return h, false
	}
	defer end()
	if !d.queue.Idle(name) { // looked at after it was noted: a job that starts now finds the note
		return h, false
	}
	got := d.config.Desk.Probe(asking, name)
	if asking.Err() == context.Canceled {
		return h, false
	}
	h = api.Health{State: "ok", Checked: d.clock.Now().UTC(), Identity: got.Identity, Error: got.Queue}
	switch {
	case got.Wrong:
		h.State, h.Error = "wrong", got.Err.Error()
	case got.Err != nil:
		h.State, h.Error = "unreachable", got.Err.Error()
	case got.Queue != "":
		h.State = "warning"
	}
	return h, true
}
