package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"fourwire/daemon/access"
	"fourwire/daemon/api"
	"fourwire/daemon/fleet"
	"fourwire/daemon/queue"
	"fourwire/quantity"
	"fourwire/record"
)

const (
	maxFiles     = 50
	maxText      = 1 << 20
	leastEvery   = 10 * time.Second
	mostAttempts = 10
	afterFailing = 10 * time.Second
)

// input is what is kept of a job besides its order: the files that it runs from, exactly as checked.
type input struct {
	Files map[string][]byte `json:"files"`
}

// Submit checks a job and takes it in.
func (d *Daemon) Submit(ctx context.Context, who access.Who, s api.Submission) (api.Job, error) {
	j, order, err := d.plain(who, s)
	if err != nil {
		return api.Job{}, err
	}
	text, file, err := d.source(s, &order)
	if err != nil {
		return api.Job{}, err
	}
	checked := d.config.Desk.Check(order, text, file)
	if checked.Failed && (checked.Wrong || order.Bench == "" || order.Bench == d.name()) { // whether another bench serves it, that one finds out
		p := api.Refuse(http.StatusUnprocessableEntity, "the bench does not serve this sequence", "")
		if checked.Wrong {
			p.Detail = "the sequence, or a parameter, is wrong"
		}
		p.Findings = checked.Findings
		return api.Job{}, p
	}
	order.Title, order.Planned, order.Predicted, order.Roles = checked.Title, checked.Planned, checked.Predicted, checked.Roles
	j.Needs = checked.Instruments
	if j.Order, err = json.Marshal(order); err != nil {
		return api.Job{}, err
	}
	files := map[string][]byte{order.Sequence: text}
	for name, data := range checked.Files {
		files[name] = data
	}
	kept, err := json.Marshal(input{files})
	if err != nil {
		return api.Job{}, err
	}
	ctx, cancel := d.clock.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	var got queue.Job
	if d.lab != nil {
		got, err = d.submitToLab(ctx, j, kept)
	} else if got, err = d.queue.Submit(ctx, j, kept); err != nil {
		err = api.Refuse(http.StatusInsufficientStorage, "the job cannot be kept: "+err.Error(), "is the disk of the daemon full?")
	}
	if err != nil {
		return api.Job{}, err
	}
	d.counts.submitted.Inc()
	d.Note(who, "submit", got.ID, order.Title+" "+strings.Join(order.Settings, " "))
	return d.shown(got), nil
}

// plain reads everything of a submission but the sequence.
func (d *Daemon) plain(who access.Who, s api.Submission) (queue.Job, Order, error) {
	bad := func(text string, args ...any) (queue.Job, Order, error) {
		return queue.Job{}, Order{}, api.Refuse(http.StatusUnprocessableEntity, fmt.Sprintf(text, args...), "")
	}
	own := d.name()
	switch {
	case d.lab == nil && s.Bench != "" && s.Bench != fleet.Any && s.Bench != own, s.Bench != "" && s.Bench != fleet.Any && !fleet.ValidName(s.Bench):
		return bad("this daemon has the bench %s, not %.60q", own, s.Bench)
	}
	j := queue.Job{Priority: s.Priority, Owner: who.Name, At: s.At.UTC()}
	if d.lab != nil {
		if j.Bench = s.Bench; j.Bench == "" {
			j.Bench = own
			if d.hub() {
				j.Bench = fleet.Any
			}
		}
	}
	if s.At.IsZero() {
		j.At = time.Time{}
	}
	o := Order{Bench: s.Bench, Device: strings.TrimSpace(s.Device), Seed: s.Seed, Acknowledge: s.Acknowledge, NoHookup: s.NoHookup, AcceptFit: s.AcceptFit}
	if o.Device != "" {
		if err := record.CheckDevice(o.Device); err != nil {
			return bad("device: %s", err)
		}
	}
	if s.Priority < -100 || s.Priority > 100 {
		return bad("priority goes from -100 to 100")
	}
	var err error
	if j.Every, err = duration(s.Every, leastEvery, 0); err != nil {
		return bad("every: %s", err)
	}
	if s.Retry.Attempts < 0 || s.Retry.Attempts > mostAttempts {
		return bad("retry: 0 to %d attempts", mostAttempts)
	}
	j.Retry.Attempts = s.Retry.Attempts
	if j.Retry.After, err = duration(s.Retry.After, 0, afterFailing); err != nil {
		return bad("retry after: %s", err)
	}
	for _, text := range []string{s.Acknowledge, s.AcceptFit} {
		if !oneLine(text) {
			return bad("acknowledge and accept_fit are one line of up to 200 bytes each, and do not begin with -")
		}
	}
	if len(s.Set) > 100 {
		return bad("up to 100 parameters can be set")
	}
	for name, value := range s.Set {
		if !word(name) || len(value) > 10_000 || strings.ContainsRune(value, 0) {
			return bad("the parameter %.60q cannot be set so", name)
		}
		o.Settings = append(o.Settings, name+"="+value)
	}
	slices.Sort(o.Settings)
	return j, o, nil
}

// oneLine tells whether a text is a short one on one line that is no option.
func oneLine(text string) bool {
	return len(text) <= 200 && !strings.ContainsFunc(text, func(r rune) bool { return r < ' ' }) && !strings.HasPrefix(text, "-")
}

// word tells whether a text is a plain name.
func word(text string) bool {
	if text == "" || len(text) > 60 {
		return false
	}
	for _, c := range text {
		if c != '_' && (c < '0' || c > '9') && (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') {
			return false
		}
	}
	return true
}

func duration(text string, least, left time.Duration) (time.Duration, error) {
	if text == "" {
		return left, nil
	}
	q, err := quantity.ParseAs(text, quantity.Time)
	if err != nil {
		return 0, err
	}
	if !(q.SI >= least.Seconds() && q.SI <= 1e9) {
		return 0, fmt.Errorf("%s: at least %s", text, least)
	}
	return time.Duration(q.SI * float64(time.Second)), nil
}

// source finds the sequence of a submission, and what gives the files that it names. Names are looked up inside the sequences folder only.
func (d *Daemon) source(s api.Submission, o *Order) (text []byte, file func(string) ([]byte, error), err error) {
	below := "."
	switch {
	case (s.Sequence == "") == (s.Text == ""):
		return nil, nil, api.Refuse(http.StatusUnprocessableEntity, "either the name of a sequence or its text is wanted", "")
	case s.Text != "":
		o.Sequence = s.Name
		if o.Sequence == "" {
			o.Sequence = "sequence.yaml"
		}
		text = []byte(s.Text)
	default:
		o.Sequence = filepath.Base(filepath.FromSlash(s.Sequence))
		below = filepath.Dir(filepath.FromSlash(s.Sequence))
		if text, err = d.sequenceFile(s.Sequence); err != nil {
			return nil, nil, err
		}
	}
	if !fileName(o.Sequence) || len(text) > maxText {
		return nil, nil, api.Refuse(http.StatusUnprocessableEntity, "the name of a sequence is a plain file name that ends in .yaml, and its text has up to 1 MiB", "")
	}
	if len(s.Files) > maxFiles {
		return nil, nil, api.Refuse(http.StatusUnprocessableEntity, fmt.Sprintf("a job has up to %d files", maxFiles), "")
	}
	for name := range s.Files {
		if !filepath.IsLocal(filepath.FromSlash(name)) || strings.ContainsAny(name, "\\\x00:") {
			return nil, nil, api.Refuse(http.StatusUnprocessableEntity, fmt.Sprintf("%.60q is no name of a file beside or below the sequence", name), "")
		}
	}
	return text, func(name string) ([]byte, error) {
		if data, ok := s.Files[name]; ok {
			return []byte(data), nil
		}
		return d.sequenceFile(filepath.ToSlash(filepath.Join(below, filepath.FromSlash(name))))
	}, nil
}

// fileName tells whether a name is a plain one of a sequence file.
func fileName(name string) bool {
	return len(name) <= 100 && filepath.IsLocal(name) && !strings.ContainsAny(name, "/\\\x00:") && !strings.HasPrefix(name, "-") && !strings.HasPrefix(name, ".") &&
		(strings.HasSuffix(name, ".yaml") || strings.HasSuffix(name, ".yml"))
}

// sequenceFile reads a file inside the sequences folder; links out of it are not followed.
func (d *Daemon) sequenceFile(name string) ([]byte, error) {
	missing := api.Refuse(http.StatusUnprocessableEntity, "the sequences folder has no such file", "GET /api/sequences lists them")
	if d.config.Sequences == "" || !filepath.IsLocal(filepath.FromSlash(name)) {
		return nil, missing
	}
	root, err := os.OpenRoot(d.config.Sequences)
	if err != nil {
		return nil, fmt.Errorf("the sequences folder: %w", err)
	}
	defer func() { _ = root.Close() }() // it was only read
	f, err := root.Open(filepath.FromSlash(name))
	if err != nil {
		return nil, missing
	}
	defer func() { _ = f.Close() }() // likewise
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return nil, missing
	}
	data, err := io.ReadAll(io.LimitReader(f, maxText+1))
	if err != nil || len(data) > maxText {
		return nil, missing
	}
	return data, nil
}

// shown is a job as the API shows it.
func (d *Daemon) shown(j queue.Job) api.Job {
	var o Order
	_ = json.Unmarshal(j.Order, &o) // it was written here
	out := api.Job{ID: j.ID, State: api.State(j.State), Title: o.Title, Sequence: o.Sequence, Settings: o.Settings, Device: o.Device, Bench: o.Bench, Holder: j.Holder, Priority: j.Priority, Owner: j.Owner,
		Submitted: j.Submitted, At: j.At, From: j.From, Instruments: j.Needs, Planned: o.Planned, Predicted: o.Predicted, Waits: j.Waits,
		Record: j.Record(), Outcome: j.Outcome, Reason: j.Reason, Hint: j.Hint, Resumable: j.Resumable, Ended: j.Ended}
	if j.Bench != "" {
		out.Bench = j.Bench
	}
	if j.State != queue.Scheduled {
		out.At = time.Time{}
	}
	if j.Every > 0 {
		out.Every = quantity.Of(j.Every.Seconds(), quantity.Time).String()
	}
	if j.Retry.Attempts > 0 {
		out.Retry = api.Retry{Attempts: j.Retry.Attempts, After: quantity.Of(j.Retry.After.Seconds(), quantity.Time).String()}
	}
	for _, a := range j.Attempts {
		one := api.Attempt{Record: a.Record, Started: a.Started, Ended: a.Ended, Reason: a.Reason}
		if !a.Ended.IsZero() {
			exit := a.Exit
			one.Exit, out.Exit = &exit, &exit
		}
		out.Attempts = append(out.Attempts, one)
	}
	if j.State.Active() {
		out.Exit = nil
		if j.StoppedBy != "" {
			out.Progress = "being stopped by " + j.StoppedBy
		}
		d.mu.Lock()
		if p := d.runs[j.ID]; p != nil {
			out.Points = p.points
			if out.Progress == "" {
				out.Progress = p.text
			}
		}
		d.mu.Unlock()
		if !d.queue.Ready() {
			out.Waits = "the outputs are being verified"
		}
	} else {
		d.mu.Lock()
		if p := d.runs[j.ID]; p != nil {
			out.Points = p.points
		}
		d.mu.Unlock()
	}
	return out
}

// Job gives one job.
func (d *Daemon) Job(id string) (api.Job, error) {
	j, err := d.anyJob(id)
	if err != nil {
		return api.Job{}, notThere(err)
	}
	return d.shown(j), nil
}

func notThere(err error) error {
	switch {
	case errors.Is(err, queue.ErrNotFound):
		return api.Refuse(http.StatusNotFound, "there is no such job", "GET /api/jobs lists them")
	case errors.Is(err, queue.ErrOver):
		return api.Refuse(http.StatusConflict, err.Error(), "")
	case errors.Is(err, fs.ErrNotExist):
		return api.Refuse(http.StatusNotFound, "there is no such record, or it has no such file", "GET /api/records lists them")
	}
	return err
}

// Jobs gives one page of the jobs; after is the id of the last one of the page before.
func (d *Daemon) Jobs(state api.State, after string, limit int) (api.Jobs, error) {
	out := api.Jobs{Jobs: []api.Job{}}
	behind := after == ""
	for _, j := range d.allJobs() {
		if !behind {
			behind = j.ID == after
			continue
		}
		if state != "" && string(state) != string(j.State) {
			continue
		}
		if len(out.Jobs) == limit {
			out.Next = out.Jobs[limit-1].ID
			break
		}
		out.Jobs = append(out.Jobs, d.shown(j))
	}
	if !behind {
		return out, api.Refuse(http.StatusBadRequest, "after is the id of no job", "begin again without it")
	}
	return out, nil
}

// Cancel cancels or stops a job.
func (d *Daemon) Cancel(ctx context.Context, who access.Who, id string) (api.Job, error) {
	if j, ok := d.elsewhere(id); ok {
		return d.cancelElsewhere(ctx, who, j)
	}
	return d.cancelHere(ctx, who, id)
}

func (d *Daemon) cancelHere(ctx context.Context, who access.Who, id string) (api.Job, error) {
	j, err := d.queue.Cancel(ctx, id, who.Name)
	if err != nil {
		return api.Job{}, notThere(err)
	}
	d.Note(who, "cancel", id, string(j.State))
	return d.shown(j), nil
}

// Resume has a job that was broken off go on.
func (d *Daemon) Resume(ctx context.Context, who access.Who, id string) (api.Job, error) {
	if j, ok := d.elsewhere(id); ok && j.Holder != "" {
		return d.askAbout(ctx, who, j, "resume")
	}
	return d.resumeHere(ctx, who, id)
}

func (d *Daemon) resumeHere(ctx context.Context, who access.Who, id string) (api.Job, error) {
	j, err := d.queue.Resume(ctx, id, who.Name)
	if err != nil {
		return api.Job{}, notThere(err)
	}
	if d.lab != nil && j.Epoch > 0 {
		d.lab.Adopt(ctx, j)
	}
	d.Note(who, "resume", id, "as "+j.ID)
	return d.shown(j), nil
}

// changed tells everybody of a job that has changed here.
func (d *Daemon) changed(j queue.Job) {
	if j.State.Ended() {
		d.counts.ends.WithLabelValues(string(j.State), j.Outcome).Inc()
		if n := len(j.Attempts); n > 0 {
			d.counts.runs.Observe(j.Attempts[n-1].Ended.Sub(j.Attempts[n-1].Started).Seconds())
		}
	}
	if d.lab != nil {
		d.lab.Changed()
	}
	d.publishJob(j)
}

func (d *Daemon) publishJob(j queue.Job) {
	shown := d.shown(j)
	api.Publish(d.events, api.Event{Time: d.clock.Now().UTC(), Kind: "job", Job: j.ID, State: &shown})
	d.log.Info().Str("job", j.ID).Str("state", string(j.State)).Str("outcome", j.Outcome).Str("reason", j.Reason).Str("waits", j.Waits).Msg("job")
}

// Events is the stream of events.
func (d *Daemon) Events() *eventStream { return d.events }
