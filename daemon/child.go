package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"fourwire/daemon/access"
	"fourwire/daemon/queue"
	"fourwire/record"
)

const (
	stopWithin  = 20 * time.Second // for a run to switch off, watch the discharge and write its reports
	offWithin   = 3 * time.Second  // the same where somebody wants everything off now
	saidBytes   = 16 << 10
	beginWithin = 10 * time.Second
)

// The exit statuses of a run that matter here.
const (
	exitInput       = 3
	exitBench       = 4
	exitSafety      = 5
	exitInterrupted = 130
)

// recordName names the record of an attempt so that people find it and no two are the same.
func (d *Daemon) recordName(j queue.Job, now time.Time) string {
	var o Order
	_ = json.Unmarshal(j.Order, &o) // it was written here
	name := now.Format("20060102-150405") + "-" + slug(o.Title) + "-" + j.ID[len(j.ID)-12:]
	if n := len(j.Attempts); n > 0 {
		name += "-" + strconv.Itoa(n+1)
	}
	return name
}

// slug makes a part of a folder name of a title.
func slug(title string) string {
	var b strings.Builder
	for _, c := range strings.ToLower(title) {
		if c >= 'a' && c <= 'z' || c >= '0' && c <= '9' {
			b.WriteRune(c)
		} else if b.Len() > 0 && !strings.HasSuffix(b.String(), "-") {
			b.WriteByte('-')
		}
		if b.Len() >= 40 {
			break
		}
	}
	if s := strings.Trim(b.String(), "-"); s != "" {
		return s
	}
	return "run"
}

// jobFolder is where the files of a job are while it runs, and as long as it may go on.
func (d *Daemon) jobFolder(id string) string { return filepath.Join(d.jobs, id) }

// lay puts the files of a job into its folder.
func (d *Daemon) lay(ctx context.Context, j queue.Job) error {
	data, err := d.queue.Input(ctx, j.ID)
	if err != nil {
		return err
	}
	var in input
	if err := json.Unmarshal(data, &in); err != nil {
		return fmt.Errorf("the files of job %s cannot be read: %w", j.ID, err)
	}
	dir := d.jobFolder(j.ID)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer func() { _ = root.Close() }() // its files have been written
	for name, text := range in.Files {
		name = filepath.FromSlash(name)
		if err := root.MkdirAll(filepath.Dir(name), 0o700); err != nil {
			return err
		}
		if err := root.WriteFile(name, text, 0o600); err != nil {
			return err
		}
	}
	return nil
}

// run runs a job in a process of its own and returns when it is over and everything is off.
func (d *Daemon) run(ctx context.Context, j queue.Job) queue.Result {
	var o Order
	if err := json.Unmarshal(j.Order, &o); err != nil {
		return queue.Result{State: queue.Failed, Exit: exitInput, Reason: err.Error()}
	}
	laying, cancel := d.clock.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	err := d.lay(laying, j)
	cancel()
	if err != nil {
		return queue.Result{State: queue.Failed, Exit: exitInput, Reason: "its files cannot be laid out: " + err.Error(), Again: true}
	}
	if why := d.ready(j); why != "" { // somebody has switched off in between
		if j.Epoch > 0 && !errors.Is(context.Cause(ctx), queue.ErrStopped) {
			return d.giveBack(ctx, j, why)
		}
		return queue.Result{State: queue.Cancelled, Exit: exitInterrupted, Reason: why}
	}
	if j.Epoch > 0 && d.lab == nil {
		return d.giveBack(ctx, j, "this daemon has not joined the lab")
	}
	if j.Epoch > 0 {
		beginning, cancel := d.clock.WithTimeout(context.WithoutCancel(ctx), beginWithin)
		err := d.lab.Begin(beginning, j)
		cancel()
		if err != nil {
			return d.giveBack(ctx, j, err.Error())
		}
	}
	d.probing.stop(j.Needs)
	p := d.begin(j, o)
	defer d.end(j)
	d.Note(access.Who{Name: j.Owner, Role: access.Operator}, "energise", j.ID, o.Title+" into "+j.Record())
	said, err := d.process(ctx, j, o, p)
	return d.outcome(ctx, j, o, said, err)
}

// giveBack has the lab give a job that is not begun to whoever can.
func (d *Daemon) giveBack(ctx context.Context, j queue.Job, why string) queue.Result {
	d.log.Warn().Str("job", j.ID).Str("reason", why).Msg("the job is not begun")
	if d.lab == nil { // it was taken when this bench was not alone
		return queue.Result{State: queue.Cancelled, Exit: exitInterrupted, Reason: "it was taken from a lab that this daemon has not joined"}
	}
	if len(j.Attempts) > 1 || j.Resumes != "" { // it has a history here
		return queue.Result{State: queue.Failed, Exit: exitBench, Reason: "not begun: " + why, Again: true, Resumable: j.Resumes != ""}
	}
	d.lab.GiveBack(context.WithoutCancel(ctx), j)
	return queue.Result{State: queue.Cancelled, Exit: exitInterrupted, Drop: true}
}

// process is the life of the process of a run. It gives the end of what that said.
func (d *Daemon) process(ctx context.Context, j queue.Job, o Order, p *progress) (string, error) {
	dir := filepath.Join(d.config.Records, j.Record())
	o.Job = j.ID
	if j.Owner != access.Local {
		o.Operator = j.Owner
	}
	args := d.config.Desk.Arguments(o, filepath.Join(d.jobFolder(j.ID), o.Sequence), dir, j.Resumes != "")
	said := &tail{most: saidBytes}
	c := &exec.Cmd{Path: d.config.Program, Args: append([]string{d.config.Program}, args...), Dir: d.jobFolder(j.ID), Stderr: said, SysProcAttr: apart(), WaitDelay: time.Second}
	alive, err := holdAlive(d.jobFolder(j.ID), c)
	if err != nil {
		return "", err
	}
	defer alive()
	keep, err := c.StdinPipe() // the run ends in order when this ends, also because this process does
	if err != nil {
		return "", err
	}
	if err := c.Start(); err != nil {
		return "", fmt.Errorf("the process of the run cannot be started: %w", err)
	}
	if err := d.queue.Running(context.WithoutCancel(ctx), j.ID); err != nil {
		d.log.Error().Err(err).Str("job", j.ID).Msg("its state could not be kept; the run goes on")
	}
	over := make(chan error, 1)
	go func() { over <- c.Wait() }()
	following, stop := context.WithCancel(context.WithoutCancel(ctx))
	var followed sync.WaitGroup
	followed.Go(func() { d.follow(following, j.ID, dir, p) })
	defer followed.Wait()
	defer stop()
	finish := ctx
	if d.config.Finish {
		finish = unlessShutdown(ctx, following)
	}
	select {
	case err = <-over:
		_ = keep.Close()
		return said.String(), err
	case <-finish.Done():
	}
	_ = keep.Close()
	within := stopWithin
	if d.switchingOff() {
		within = offWithin
	}
	waiting, cancel := d.clock.WithTimeout(context.WithoutCancel(ctx), within)
	defer cancel()
	select {
	case err = <-over:
	case <-waiting.Done():
		d.log.Error().Str("job", j.ID).Msg("the run does not end by itself and is ended; its guardian switches off")
		_ = c.Process.Kill()
		err = <-over
	}
	return said.String(), err
}

// unlessShutdown is done when ctx is, but not where that is because the daemon shuts down.
func unlessShutdown(ctx, until context.Context) context.Context {
	out, cancel := context.WithCancel(until)
	context.AfterFunc(ctx, func() {
		if !errors.Is(context.Cause(ctx), queue.ErrShutdown) {
			cancel()
		}
	})
	return out
}

// outcome finds out how a run ended, from its record and its exit status, and verifies that everything is off where it did not end in order.
func (d *Daemon) outcome(ctx context.Context, j queue.Job, o Order, said string, err error) queue.Result {
	r := queue.Result{State: queue.Done}
	var exit *exec.ExitError
	switch {
	case err == nil:
	case errors.As(err, &exit):
		r.Exit = exit.ExitCode()
	default:
		return queue.Result{State: queue.Failed, Exit: exitBench, Reason: err.Error(), Again: true}
	}
	dir := filepath.Join(d.config.Records, j.Record())
	rec, opened := record.Open(dir)
	ordered := opened == nil && rec.Finished && r.Exit >= 0 && r.Exit != exitSafety
	if !ordered && opened == nil || r.Exit < 0 || r.Exit == exitSafety {
		d.verify(context.WithoutCancel(ctx), "the run of job "+j.ID+" did not end in order")
	}
	if opened == nil {
		r.Outcome, r.Reason = string(rec.Outcome), rec.Reason
		d.file(j.ID, rec)
	}
	if r.Reason == "" && (r.Exit < 0 || r.Exit >= exitInput) {
		r.Reason, r.Hint = lastWords(said)
	}
	if r.Exit < 0 || r.Exit >= exitInput {
		r.State, r.Outcome = queue.Failed, ""
		r.Again = r.Exit == exitBench
		r.Resumable = opened == nil && len(rec.Rows) > 0 && !(rec.Finished && rec.Reason == "")
	}
	if r.Exit < 0 {
		r.Exit, r.Reason = exitSafety, "the process of the run was ended from outside"
	}
	switch cause := context.Cause(ctx); {
	case cause == nil || r.State == queue.Done:
	case errors.Is(cause, queue.ErrShutdown):
		r.State, r.Reason = queue.Interrupted, "the daemon was shut down"
	default:
		r.State, r.Reason = queue.Cancelled, "stopped"
		if now, err := d.queue.Job(j.ID); err == nil && now.StoppedBy != "" {
			r.Reason = "stopped by " + now.StoppedBy
		}
	}
	if !r.Resumable {
		_ = os.RemoveAll(d.jobFolder(j.ID)) // what is left takes room, nothing else
	}
	return r
}

// lastWords takes the error and the hint out of what a run said.
func lastWords(said string) (reason, hint string) {
	for _, line := range strings.Split(strings.TrimSpace(said), "\n") {
		line = strings.TrimSpace(line)
		if text, ok := strings.CutPrefix(line, "fourwire: hint: "); ok {
			hint = strings.TrimSpace(hint + "\n" + text)
		} else if text, ok := strings.CutPrefix(line, "fourwire: "); ok {
			reason = text
		} else if reason == "" {
			reason = line
		}
	}
	return reason, hint
}

// tail keeps the end of what is written to it.
type tail struct {
	most int

	mu   sync.Mutex // guards what follows
	text bytes.Buffer
}

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.text.Write(p)
	if over := t.text.Len() - t.most; over > 0 {
		t.text.Next(over)
	}
	return len(p), nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return strings.ToValidUTF8(t.text.String(), "?")
}

// missing tells whether a record was never begun.
func missing(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, record.ErrNoRecord)
}
