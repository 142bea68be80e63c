package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"fourwire/daemon/access"
	"fourwire/daemon/api"
	"fourwire/daemon/queue"
	"fourwire/driver/guardian"
	"fourwire/internal/clock"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/transport"
)

const (
	reportWithin = 25 * time.Second // from the order to switch off until its report, discharge included
	goneWithin   = 60 * time.Second // for what is left of an earlier run to end
	lookGone     = 50 * time.Millisecond
	verifyAgain  = 5 * time.Second
)

// SwitchOff stops every run, verifies that everything is off and disarms the bench.
func (d *Daemon) SwitchOff(ctx context.Context, who access.Who) (api.OffReport, error) {
	if d.hub() {
		return d.switchOffAll(ctx, who)
	}
	ctx = context.WithoutCancel(ctx) // whoever asked may go away
	begun := d.clock.Now()
	d.mu.Lock()
	d.armed = arming{}
	d.held = "the outputs were switched off by " + who.Name + "; arm the bench to go on"
	d.mu.Unlock()
	stopped := d.queue.StopAll()
	d.Note(who, "outputs off", strings.Join(stopped, " "), "")
	d.awaitRuns(ctx, stopped)
	report := d.makeSafe(ctx, "outputs off was asked for by "+who.Name, stopped, begun)
	report.By = who.Name
	d.takeReport(report)
	api.Publish(d.events, api.Event{Time: d.clock.Now().UTC(), Kind: "off", Off: &report})
	d.tellBench()
	level := "info"
	if !report.Safe {
		level = "error"
	}
	d.logged(level, report.Text, nil)
	d.Note(who, "outputs off", "", report.Text)
	return report, nil
}

// switchingOff tells whether somebody wants everything off now.
func (d *Daemon) switchingOff() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.held != ""
}

func (d *Daemon) takeReport(r api.OffReport) {
	d.mu.Lock()
	d.lastOff, d.unsafe = &r, !r.Safe
	d.mu.Unlock()
}

// awaitRuns waits until the processes of runs are gone.
func (d *Daemon) awaitRuns(ctx context.Context, jobs []string) {
	ctx, cancel := d.clock.WithTimeout(ctx, offWithin+2*time.Second)
	defer cancel()
	for {
		left := 0
		for _, id := range jobs {
			if j, err := d.queue.Job(id); err == nil && j.State.Active() {
				left++
			}
		}
		if left == 0 || d.clock.Sleep(ctx, lookGone/5) != nil {
			return
		}
	}
}

// makeSafe switches the whole bench off by connections of its own and verifies it.
func (d *Daemon) makeSafe(ctx context.Context, why string, stopped []string, begun time.Time) api.OffReport {
	report := api.OffReport{At: begun.UTC(), Safe: true, Stopped: stopped, Off: []api.Off{}, Nodes: []api.NodeLeft{}}
	if stopped == nil {
		report.Stopped = []string{}
	}
	orders, config := d.config.Desk.Guard()
	if d.config.Desk.Description().Simulated {
		for _, in := range d.config.Desk.Description().Instruments {
			if energises(in) {
				report.Off = append(report.Off, api.Off{Instrument: in.Name, Off: true, Seconds: d.clock.Since(begun).Seconds()})
			}
		}
		report.Text = "the bench is simulated in the process of each run; none is left"
		report.Seconds = d.clock.Since(begun).Seconds()
		return report
	}
	ahead := d.clock.Since(begun).Seconds()
	got, err := d.guard(ctx, orders, config, why)
	report.Seconds = d.clock.Since(begun).Seconds()
	if err != nil {
		report.Safe, report.Text = false, "whether the outputs are off could not be verified: "+err.Error()
		return report
	}
	report.Safe, report.Text = got.Safe(), got.Text()
	for _, s := range got.Switched {
		report.Off = append(report.Off, api.Off{Instrument: s.Instrument, Off: s.Off, Seconds: ahead + s.Seconds, Problem: s.Problem})
	}
	for _, n := range got.Nodes {
		report.Nodes = append(report.Nodes, api.NodeLeft{Node: n.Node, Volts: n.Volts, Discharged: n.Discharged, Text: n.Text})
	}
	return report
}

func energises(in api.Instrument) bool {
	for _, w := range in.Wired {
		if strings.HasPrefix(w, "source") || strings.HasPrefix(w, "load") {
			return true
		}
	}
	return false
}

// guard has a guardian take the bench over at once and gives its report. A guardian that could not reach an instrument goes on trying
// after that, in the background; when it has succeeded the bench counts as verified.
func (d *Daemon) guard(ctx context.Context, o guardian.Orders, c guardian.Config, why string) (*guardian.Report, error) {
	o.Format, o.Runner = guardian.Version, 0
	line, err := json.Marshal(o)
	if err != nil {
		return nil, err
	}
	if c.Clock == nil {
		c.Clock = d.config.Clock
	}
	c.Note = func(_ string, e guardian.Event) { d.logged(e.Level, e.Text, e.Fields) }
	links := &opened{dial: c.Dial}
	c.Dial = links.Dial
	d.guarding(1)
	heard := &hearing{report: make(chan *guardian.Report, 1)}
	in, out := io.Pipe()
	go func() { _, _ = fmt.Fprintf(out, "%s\narm\nrelieve %s\n", line, strings.ReplaceAll(why, "\n", " ")) }() // a guardian that is gone does not hear it
	defer func() { _ = out.Close() }()                                                                         // then it ends, or goes on trying where something is still on
	over := make(chan error, 1)
	lasting := context.WithoutCancel(ctx)
	go func() {
		err := guardian.Serve(lasting, in, heard, c)
		links.close() // an instrument with one connection is free for others
		d.guarding(-1)
		over <- err
		if err == nil {
			d.verified()
		}
	}()
	ctx, cancel := clock.Or(d.config.Clock).WithTimeout(ctx, reportWithin)
	defer cancel()
	select {
	case r := <-heard.report:
		if r.Safe() {
			_ = out.Close()
			<-over // at once, since nothing is left to be done
		}
		return r, nil
	case err := <-over:
		select {
		case r := <-heard.report:
			return r, nil
		default:
		}
		if err == nil {
			err = errors.New("the guardian ended without a report")
		}
		return nil, err
	case <-ctx.Done():
		return nil, errors.New("an instrument takes too long; trying further")
	}
}

// opened are the links that a guardian has opened, which it leaves to the end of its process.
type opened struct {
	dial func(context.Context, transport.Address, string) (transport.Link, error)

	mu    sync.Mutex // guards links
	links []transport.Link
}

// Dial opens a link and remembers it.
func (o *opened) Dial(ctx context.Context, a transport.Address, base string) (transport.Link, error) {
	l, err := o.dial(ctx, a, base)
	if err == nil {
		o.mu.Lock()
		o.links = append(o.links, l)
		o.mu.Unlock()
	}
	return l, err
}

func (o *opened) close() {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, l := range o.links {
		_ = l.Close() // most are closed already
	}
}

func (d *Daemon) verified() {
	d.mu.Lock()
	was := d.unsafe
	d.unsafe = false
	if d.lastOff != nil && !d.lastOff.Safe {
		later := *d.lastOff
		later.Safe, later.Seconds = true, d.clock.Since(later.At).Seconds()
		later.Text = fmt.Sprintf("every output is verified to be off, %.0f s after the order; before that: %s", later.Seconds, later.Text)
		d.lastOff = &later
	}
	d.mu.Unlock()
	if was {
		d.log.Info().Msg("every output is verified to be off now")
		d.tellBench()
		d.queue.Wake()
	}
}

// hearing takes the report out of what a guardian says.
type hearing struct {
	text   []byte
	report chan *guardian.Report
}

func (h *hearing) Write(p []byte) (int, error) {
	h.text = append(h.text, p...)
	for {
		line, rest, whole := bytes.Cut(h.text, []byte("\n"))
		if !whole {
			return len(p), nil
		}
		h.text = rest
		if text, ok := bytes.CutPrefix(line, []byte("safe ")); ok {
			var r guardian.Report
			if json.Unmarshal(text, &r) == nil {
				select {
				case h.report <- &r:
				default:
				}
			}
		}
	}
}

// verify holds everything up until the whole bench is verified to be off, or ctx ends.
func (d *Daemon) verify(ctx context.Context, why string) {
	if d.config.Desk.Description().Simulated {
		return
	}
	d.mu.Lock()
	d.unsafe = true
	d.mu.Unlock()
	d.tellBench()
	for {
		report := d.makeSafe(ctx, why, nil, d.clock.Now())
		report.By = "the daemon"
		d.takeReport(report)
		d.log.Info().Bool("safe", report.Safe).Msg(report.Text)
		d.tellBench()
		if report.Safe {
			return
		}
		for range int(verifyAgain / lookGone) { // a guardian that goes on trying may get there before
			d.mu.Lock()
			unsafe := d.unsafe
			d.mu.Unlock()
			if !unsafe || d.clock.Sleep(ctx, lookGone) != nil {
				return
			}
		}
	}
}

// recover sees to a job that was under way when the daemon went away: it waits for what is left of its process, verifies that everything is off,
// and reads from the record how far it came.
func (d *Daemon) recover(ctx context.Context, j queue.Job) queue.Result {
	dir := filepath.Join(d.config.Records, j.Record())
	d.log.Warn().Str("job", j.ID).Msg("its run was under way when the daemon went away")
	waiting, cancel := d.clock.WithTimeout(ctx, goneWithin)
	for (stillAlive(d.jobFolder(j.ID)) || record.InUse(dir)) && d.clock.Sleep(waiting, lookGone) == nil {
	}
	cancel()
	d.verify(ctx, "the daemon went away while job "+j.ID+" ran")
	r := queue.Result{State: queue.Interrupted, Exit: exitInterrupted, Reason: "the daemon went away in the middle"}
	rec, err := record.Open(dir)
	switch {
	case missing(err):
		r.Reason += "; nothing had been switched on"
		r.Hint = "submit it again"
	case err != nil:
		r.Reason += "; its record cannot be read: " + err.Error()
	default:
		d.file(j.ID, rec)
		if rec.Finished && rec.Reason == "" {
			return queue.Result{State: queue.Done, Exit: rec.Exit, Outcome: string(rec.Outcome)}
		}
		r.Resumable = len(rec.Rows) > 0
		r.Reason += fmt.Sprintf(" after %d points; every output is off", len(rec.Rows))
	}
	if !d.safe() {
		r.Reason = strings.Replace(r.Reason, "every output is off", "whether the outputs are off could not be verified", 1)
	}
	return r
}

func (d *Daemon) safe() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return !d.unsafe
}

// Arm arms the bench, so that jobs may energise it, or disarms it.
func (d *Daemon) Arm(_ context.Context, who access.Who, a api.Arming) (api.Bench, error) {
	if d.hub() {
		return api.Bench{}, api.Refuse(409, "a hub has no bench to arm", "arm the bench at its own daemon, where somebody sees it")
	}
	within, err := duration(a.For, time.Second, 0)
	if err != nil {
		return api.Bench{}, api.Refuse(422, "for: "+err.Error(), `as in "8 h"`)
	}
	d.mu.Lock()
	d.armed = arming{on: a.Armed, by: who.Name}
	if a.Armed {
		d.held = ""
		if within > 0 {
			d.armed.until = d.clock.Now().Add(within).UTC()
		}
	}
	d.mu.Unlock()
	did := "disarm"
	if a.Armed {
		did = "arm"
	}
	detail := ""
	if within > 0 {
		detail = "for " + quantity.Of(within.Seconds(), quantity.Time).String()
	}
	d.Note(who, did, "", detail)
	d.queue.Wake()
	d.tellBench()
	return d.Bench(), nil
}

// ready says why a job must not start.
func (d *Daemon) ready(queue.Job) string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.blocked()
}

// blocked says why nothing starts. The caller holds mu.
func (d *Daemon) blocked() string {
	if d.lab != nil {
		if why := d.lab.Reachable(); why != "" && d.held == "" {
			return why
		}
	}
	switch {
	case d.hub():
		return ""
	case d.held != "":
		return d.held
	case d.unsafe:
		return "it is not verified that the outputs are off"
	case !d.armed.on:
		return "the bench is not armed"
	case !d.armed.until.IsZero() && d.clock.Now().After(d.armed.until):
		return "the bench is not armed any more"
	}
	return ""
}
