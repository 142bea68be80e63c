package daemon

import (
	"slices"
	"strings"
	"time"

	"fourwire/daemon/access"
	"fourwire/daemon/api"
)

const calibrationSoon = 30 // days before a calibration runs out, when that is said

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
	b := api.Bench{Name: d.name(), Title: about.Title, Simulated: about.Simulated, Version: d.config.Version, Outputs: "off", Instruments: append([]api.Instrument{}, about.Instruments...)}
	b.Queue.Scheduled, b.Queue.Queued, b.Queue.Running = d.queue.Counts()
	if d.lab != nil {
		b.Queue.Scheduled, b.Queue.Queued, b.Queue.Running = d.lab.Counts()
	}
	holders := map[string]string{}
	for _, in := range b.Instruments {
		holders[in.Name] = d.queue.Holder(in.Name)
	}
	now := d.clock.Now().UTC()
	today, soon := now.Format(time.DateOnly), now.AddDate(0, 0, calibrationSoon).Format(time.DateOnly)
	if d.hub() {
		b.Outputs = d.labOutputs()
	}
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
		in.DueSoon = in.Due != "" && !in.Overdue && in.Due <= soon
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
	if d.lab != nil {
		d.lab.Changed()
	}
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
