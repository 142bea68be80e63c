package daemon

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"fourwire/daemon/access"
	"fourwire/daemon/api"
)

// Alive says that the daemon works.
func (d *Daemon) Alive() api.Alive {
	a := api.Alive{OK: true, Version: d.config.Version, Uptime: d.clock.Since(d.began).Seconds(), Access: "open"}
	if d.config.Tokens != "" {
		a.Access = "token"
	}
	return a
}

// Bench is the bench at a glance.
func (d *Daemon) Bench() api.Bench {
	about := d.config.Desk.Description()
	b := api.Bench{Name: about.Name, Title: about.Title, Simulated: about.Simulated, Version: d.config.Version, Outputs: "off", Instruments: slices.Clone(about.Instruments)}
	b.Queue.Scheduled, b.Queue.Queued, b.Queue.Running = d.queue.Counts()
	holders := map[string]string{}
	for _, in := range b.Instruments {
		holders[in.Name] = d.queue.Holder(in.Name)
	}
	today := d.clock.Now().UTC().Format(time.DateOnly)
	d.mu.Lock()
	defer d.mu.Unlock()
	b.Armed, b.ArmedBy, b.ArmedUntil, b.Held, b.LastOff = d.armed.on && d.held == "", d.armed.by, d.armed.until, d.blocked(), d.lastOff
	if !b.Armed {
		b.ArmedBy = ""
	}
	for i := range b.Instruments {
		in := &b.Instruments[i]
		in.Job, in.Health = holders[in.Name], d.health[in.Name]
		if in.Health.State == "" {
			in.Health.State = "unknown"
		}
		in.Overdue = in.Due != "" && in.Due < today
		if p := d.runs[in.Job]; p != nil && in.Job != "" {
			for _, o := range p.outputs {
				if name, _, _ := strings.Cut(o.Channel, "."); name == in.Name {
					in.Outputs = append(in.Outputs, o)
					if o.On {
						b.Outputs = "on"
					}
				}
			}
			slices.SortFunc(in.Outputs, func(a, b api.Output) int { return strings.Compare(a.Role, b.Role) })
		}
	}
	if d.unsafe {
		b.Outputs = "not verified"
	}
	return b
}

// tellBench tells everybody of the bench.
func (d *Daemon) tellBench() {
	b := d.Bench()
	api.Publish(d.events, api.Event{Time: d.clock.Now().UTC(), Kind: "bench", Bench: &b})
}

// Note writes into the audit log. One that cannot be written is told in the other log.
func (d *Daemon) Note(who access.Who, did, what, detail string) {
	add := d.audit.Add
	if did == "submit" || did == "session" || did == "refused" { // a job is on the disk with who submitted it; the others change nothing
		add = d.audit.Jot
	}
	if err := add(who, did, what, detail); err != nil {
		d.log.Error().Err(err).Str("who", who.Name).Str("did", did).Str("what", what).Msg("the audit log cannot be written")
	}
}

// Audit gives the newest lines of the audit log.
func (d *Daemon) Audit(limit int) (api.AuditLines, error) {
	list, err := d.audit.Latest(limit)
	out := api.AuditLines{Entries: []api.AuditLine{}}
	for _, e := range list {
		out.Entries = append(out.Entries, api.AuditLine(e))
	}
	return out, err
}

// counts is what the daemon counts of itself.
type counts struct {
	submitted, points atomic.Int64

	mu   sync.Mutex // guards what follows
	ends map[[2]string]int64
}

func (c *counts) ended(state, outcome string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.ends == nil {
		c.ends = map[[2]string]int64{}
	}
	c.ends[[2]string{state, outcome}]++
}

// Metrics writes counters and gauges in the Prometheus text format 0.0.4.
func (d *Daemon) Metrics(w io.Writer) error {
	one := func(name, kind, about string, value any) {
		fmt.Fprintf(w, "# HELP %s %s\n# TYPE %s %s\n%s %v\n", name, about, name, kind, name, value)
	}
	b := d.Bench()
	one("fourwire_jobs_submitted_total", "counter", "Jobs taken in since the daemon began.", d.counts.submitted.Load())
	one("fourwire_points_total", "counter", "Points of runs since the daemon began.", d.counts.points.Load())
	one("fourwire_jobs_scheduled", "gauge", "Jobs that wait for their time.", b.Queue.Scheduled)
	one("fourwire_jobs_queued", "gauge", "Jobs that wait for the bench.", b.Queue.Queued)
	one("fourwire_jobs_running", "gauge", "Jobs under way.", b.Queue.Running)
	one("fourwire_bench_armed", "gauge", "1 where jobs may energise the bench.", number(b.Armed))
	one("fourwire_outputs_on", "gauge", "1 where a run has an output on.", number(b.Outputs == "on"))
	one("fourwire_outputs_not_verified", "gauge", "1 where it is not verified that the outputs are off.", number(b.Outputs == "not verified"))
	one("fourwire_uptime_seconds", "gauge", "Since the daemon began.", d.clock.Since(d.began).Seconds())
	fmt.Fprintf(w, "# HELP fourwire_instrument_ok 1 where an instrument answered when it was asked last.\n# TYPE fourwire_instrument_ok gauge\n")
	for _, in := range b.Instruments {
		fmt.Fprintf(w, "fourwire_instrument_ok{instrument=%q} %d\n", in.Name, number(in.Health.State == "ok" || in.Health.State == "warning"))
	}
	fmt.Fprintf(w, "# HELP fourwire_jobs_ended_total Jobs that are over since the daemon began.\n# TYPE fourwire_jobs_ended_total counter\n")
	d.counts.mu.Lock()
	defer d.counts.mu.Unlock()
	for key, n := range d.counts.ends {
		fmt.Fprintf(w, "fourwire_jobs_ended_total{state=%q,outcome=%q} %d\n", key[0], key[1], n)
	}
	return nil
}

func number(b bool) int {
	if b {
		return 1
	}
	return 0
}
