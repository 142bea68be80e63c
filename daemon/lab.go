package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"fourwire/daemon/access"
	"fourwire/daemon/api"
	"fourwire/daemon/fleet"
	"fourwire/daemon/queue"
)

const joinWithin = 5 * time.Second

// name is what this daemon is called: in its lab, or by its bench file.
func (d *Daemon) name() string {
	if d.lab != nil {
		return d.lab.Name()
	}
	return d.config.Desk.Description().Name
}

// hub tells whether this daemon has no bench.
func (d *Daemon) hub() bool { return d.config.Lab != nil && d.config.Lab.Hub }

// join makes this daemon a member of a lab. Where the cluster is not reachable it goes on trying while the daemon runs.
func (d *Daemon) join(ctx context.Context) error {
	o := *d.config.Lab
	var err error
	if o.Identity, err = identity(filepath.Join(d.config.State, "member")); err != nil {
		return err
	}
	o.Clock, o.Log, o.Member = d.config.Clock, d.logged, member{d}
	if d.lab, err = fleet.New(o); err != nil {
		return err
	}
	if err = d.lab.Join(ctx, joinWithin+o.Lease/4); errors.Is(err, fleet.ErrTaken) {
		d.lab.Close()
	}
	if errors.Is(err, fleet.ErrUnreachable) {
		d.log.Warn().Err(err).Msg("the lab cannot be joined yet; it is tried further")
		return nil
	}
	return err
}

// identity is a name of a state folder that no other has.
func identity(path string) (string, error) {
	data, err := os.ReadFile(path)
	if err == nil && uuid.Validate(strings.TrimSpace(string(data))) == nil {
		return strings.TrimSpace(string(data)), nil
	}
	fresh, err := uuid.NewRandom()
	if err != nil {
		return "", err
	}
	return fresh.String(), os.WriteFile(path, []byte(fresh.String()+"\n"), 0o600)
}

// member is the daemon as its lab sees it.
type member struct{ d *Daemon }

// About is what the others are told.
func (m member) About() fleet.About {
	d := m.d
	about := d.config.Desk.Description()
	out := fleet.About{Title: about.Title, Version: d.config.Version, Simulated: about.Simulated && !d.hub()}
	out.Host, _ = os.Hostname() // only said
	if d.hub() {
		return out
	}
	b := d.Bench()
	out.Armed, out.Held, out.Outputs = b.Armed, b.Held, b.Outputs
	_, _, out.Running = d.queue.Counts()
	if d.lab.Reachable() != "" {
		out.Held = "" // whoever reads this knows better
	}
	for _, in := range about.Instruments {
		one := fleet.Instrument{Name: in.Name, Model: in.Model}
		for _, c := range in.Channels {
			one.Channels = append(one.Channels, fleet.Channel(c))
		}
		out.Instruments = append(out.Instruments, one)
	}
	return out
}

// Fit checks a job that came over the network as if it had been submitted here.
func (m member) Fit(j *queue.Job, data []byte) (why string) {
	var o Order
	var in input
	if json.Unmarshal(j.Order, &o) != nil || json.Unmarshal(data, &in) != nil {
		return "its entry cannot be read"
	}
	if err := o.sane(in); err != nil {
		return err.Error()
	}
	checked := m.d.config.Desk.Check(o, in.Files[o.Sequence], func(name string) ([]byte, error) {
		if text, ok := in.Files[name]; ok {
			return text, nil
		}
		return nil, errors.New("it did not come with the job")
	})
	if checked.Failed {
		for _, f := range checked.Findings {
			if f.Level == "error" {
				return f.Text
			}
		}
		return "the bench does not serve this sequence"
	}
	o.Title, o.Planned, o.Predicted, o.Roles = checked.Title, checked.Planned, checked.Predicted, checked.Roles
	order, err := json.Marshal(o)
	if err != nil {
		return err.Error()
	}
	j.Needs, j.Order = checked.Instruments, order
	return ""
}

// sane refuses an order that no daemon would have taken in: it becomes files and arguments of a process.
func (o Order) sane(in input) error {
	if !fileName(o.Sequence) || in.Files[o.Sequence] == nil || len(in.Files[o.Sequence]) > maxText || len(in.Files) > maxFiles+1 {
		return errors.New("its entry names no sequence that came with it")
	}
	for name := range in.Files {
		if !filepath.IsLocal(filepath.FromSlash(name)) || strings.ContainsAny(name, "\\\x00:") {
			return fmt.Errorf("%.60q is no name of a file beside or below the sequence", name)
		}
	}
	for _, s := range o.Settings {
		name, value, _ := strings.Cut(s, "=")
		if !word(name) || len(value) > 10_000 || strings.ContainsRune(value, 0) {
			return fmt.Errorf("the parameter %.60q cannot be set so", name)
		}
	}
	if len(o.Settings) > 100 || !oneLine(o.Acknowledge) || !oneLine(o.AcceptFit) {
		return errors.New("its entry is not as a submission is")
	}
	return nil
}

// Room tells whether a job would start at once.
func (m member) Room(j queue.Job) bool {
	return m.d.queue.Ready() && m.d.ready(j) == "" && m.d.queue.Room(j.ID, j.Needs)
}

// Take keeps a job here. Of what came over the network it takes what a submission says and nothing else.
func (m member) Take(ctx context.Context, j queue.Job, data []byte) error {
	if uuid.Validate(j.ID) != nil {
		return fmt.Errorf("%.60q is no id of a job", j.ID)
	}
	if !oneLine(j.Owner) {
		j.Owner = "somebody"
	}
	return m.d.queue.Take(ctx, queue.Job{ID: j.ID, State: queue.Queued, Priority: j.Priority, Owner: j.Owner, Submitted: j.Submitted, From: j.From, Needs: j.Needs, Order: j.Order,
		Retry: queue.Retry{Attempts: min(j.Retry.Attempts, mostAttempts), After: j.Retry.After}, Bench: j.Bench, Holder: j.Holder, Epoch: j.Epoch}, data)
}

// Own lists the jobs of the lab that are here.
func (m member) Own() []queue.Job {
	return slices.DeleteFunc(m.d.queue.Jobs(), func(j queue.Job) bool { return j.Epoch == 0 })
}

// Drop forgets a job that the lab has given to another bench.
func (m member) Drop(ctx context.Context, id string) { m.d.queue.Forget(ctx, id) }

// Seen tells everybody of a job that has changed elsewhere.
func (m member) Seen(j queue.Job) {
	if local, err := m.d.queue.Job(j.ID); err == nil && m.d.mine(j, local) {
		return // it has been told
	}
	j, _ = m.d.lab.Job(j.ID)
	m.d.publishJob(j)
}

// SeenMembers tells everybody that something has changed about the lab.
func (m member) SeenMembers() {
	if m.d.queue.Ready() {
		m.d.tellBench()
	}
	m.d.queue.Wake()
}

// mine tells whether what is known here of a job goes before what the lab says.
func (d *Daemon) mine(entry, local queue.Job) bool {
	return local.Epoch == 0 || entry.Epoch == local.Epoch && entry.Holder == d.name() || local.State.Active()
}

// allJobs lists the jobs of this daemon and of its lab in their order.
func (d *Daemon) allJobs() []queue.Job {
	list := d.queue.Jobs()
	if d.lab == nil {
		return list
	}
	here := make(map[string]int, len(list))
	for i, j := range list {
		here[j.ID] = i
	}
	for _, j := range d.lab.Jobs() {
		if i, ok := here[j.ID]; !ok {
			list = append(list, j)
		} else if !d.mine(j, list[i]) {
			list[i] = j
		}
	}
	queue.Sort(list)
	return list
}

// anyJob is a job of this daemon or of its lab.
func (d *Daemon) anyJob(id string) (queue.Job, error) {
	local, err := d.queue.Job(id)
	if d.lab == nil {
		return local, err
	}
	entry, ok := d.lab.Job(id)
	if ok && (err != nil || !d.mine(entry, local)) {
		return entry, nil
	}
	return local, err
}

// elsewhere tells whether a job is not this daemon's to stop or to go on with.
func (d *Daemon) elsewhere(id string) (queue.Job, bool) {
	if d.lab == nil {
		return queue.Job{}, false
	}
	j, err := d.anyJob(id)
	if err != nil {
		return j, false
	}
	_, err = d.queue.Job(id)
	return j, err != nil || j.Holder != "" && j.Holder != d.name()
}

// submitToLab asks the lab for a job.
func (d *Daemon) submitToLab(ctx context.Context, j queue.Job, data []byte) (queue.Job, error) {
	got, err := d.lab.Submit(ctx, j, data)
	if errors.Is(err, fleet.ErrUnreachable) {
		return got, api.Refuse(http.StatusServiceUnavailable, strings.TrimPrefix(err.Error(), fleet.ErrUnreachable.Error()+": "), "submit it again when the cluster is reachable")
	}
	if err != nil {
		return got, api.Refuse(http.StatusServiceUnavailable, "the lab does not answer: "+err.Error(), "whether it has the job is not known: look at the list of jobs before you submit it again")
	}
	return got, nil
}

// cancelElsewhere cancels a job that is not here.
func (d *Daemon) cancelElsewhere(ctx context.Context, who access.Who, j queue.Job) (api.Job, error) {
	if j.Holder == "" {
		got, err := d.lab.Cancel(ctx, j.ID, who.Name)
		switch {
		case err == nil:
			d.Note(who, "cancel", j.ID, string(got.State))
			return d.shown(got), nil
		case errors.Is(err, fleet.ErrUnreachable):
			return api.Job{}, api.Refuse(http.StatusServiceUnavailable, err.Error(), "")
		case !errors.Is(err, fleet.ErrFenced):
			return api.Job{}, notThere(err)
		}
		j.Holder = got.Holder // somebody has taken it in the meantime
	}
	return d.askAbout(ctx, who, j, "cancel")
}

// askAbout has the bench that has a job do something about it.
func (d *Daemon) askAbout(ctx context.Context, who access.Who, j queue.Job, do string) (api.Job, error) {
	var out api.Job
	err := d.askMember(ctx, j.Holder, fleet.Command{Do: do, Job: j.ID, Who: who.Name}, stopWithin+joinWithin, &out)
	if errors.Is(err, fleet.ErrNoAnswer) {
		return out, api.Refuse(http.StatusGatewayTimeout, "the bench "+j.Holder+", which has the job, does not answer", "where something has to be switched off, go there")
	}
	if err == nil {
		d.Note(who, do, j.ID, "at "+j.Holder)
		_, _ = d.lab.Look(ctx, out.ID) // whoever asks for it next finds it
	}
	return out, err
}

func (d *Daemon) askMember(ctx context.Context, name string, c fleet.Command, within time.Duration, into any) error {
	a, err := d.lab.Ask(ctx, name, c, within)
	if err != nil {
		return err
	}
	if a.Status >= http.StatusBadRequest {
		p := &api.Problem{}
		if json.Unmarshal(a.Data, p) != nil {
			p = api.Refuse(a.Status, "the bench "+name+" could not do it", "")
		}
		return p
	}
	return json.Unmarshal(a.Data, into)
}

// Do carries out what another member asks for.
func (m member) Do(ctx context.Context, c fleet.Command) fleet.Answer {
	d := m.d
	who := access.Who{Name: c.Who + " at " + c.By, Role: access.Operator, From: "the lab"}
	var out any
	err := error(api.Refuse(http.StatusBadRequest, "this member does not know what that is", ""))
	switch {
	case d.hub():
		err = api.Refuse(http.StatusConflict, "a hub has no bench", "")
	case c.Do == "off":
		out, err = d.SwitchOff(ctx, who)
	case c.Do == "cancel":
		out, err = d.cancelHere(ctx, who, c.Job)
	case c.Do == "resume":
		out, err = d.resumeHere(ctx, who, c.Job)
	}
	a := fleet.Answer{Status: http.StatusOK}
	if err != nil {
		var p *api.Problem
		if !errors.As(err, &p) {
			p = api.Refuse(http.StatusInternalServerError, err.Error(), "")
		}
		a.Status, out = p.Status, p
	}
	if a.Data, err = json.Marshal(out); err != nil {
		return fleet.Answer{Status: http.StatusInternalServerError}
	}
	return a
}

// SwitchOffAt has a bench of the lab switch off.
func (d *Daemon) SwitchOffAt(ctx context.Context, who access.Who, bench string) (api.OffReport, error) {
	if d.lab == nil || bench == d.name() && !d.hub() {
		if bench != d.name() {
			return api.OffReport{}, api.Refuse(http.StatusNotFound, "this daemon is alone with the bench "+d.name(), "")
		}
		return d.SwitchOff(ctx, who)
	}
	d.Note(who, "outputs off", bench, "")
	begun := d.clock.Now()
	report := d.offAt(context.WithoutCancel(ctx), who, bench)
	report.Seconds = d.clock.Since(begun).Seconds()
	d.Note(who, "outputs off", bench, report.Text)
	return report, nil
}

// offAt asks one bench to switch off. Whatever comes of it is a report: one that is not safe where the bench does not answer.
func (d *Daemon) offAt(ctx context.Context, who access.Who, bench string) api.OffReport {
	var report api.OffReport
	err := d.askMember(ctx, bench, fleet.Command{Do: "off", Who: who.Name}, reportWithin+offWithin+joinWithin, &report)
	if err != nil {
		text := "the bench " + bench + " could not switch off: " + err.Error()
		if errors.Is(err, fleet.ErrNoAnswer) {
			text = "the bench " + bench + " does not answer: whether its outputs are off is not known. Go there and switch it off by hand"
		}
		return api.OffReport{At: d.clock.Now().UTC(), By: who.Name, Text: text, Stopped: []string{}, Off: []api.Off{}, Nodes: []api.NodeLeft{}}
	}
	return report
}

// switchOffAll has every bench of the lab switch off, all at once.
func (d *Daemon) switchOffAll(ctx context.Context, who access.Who) (api.OffReport, error) {
	ctx = context.WithoutCancel(ctx)
	begun := d.clock.Now()
	out := api.OffReport{At: begun.UTC(), By: who.Name, Safe: true, Stopped: []string{}, Off: []api.Off{}, Nodes: []api.NodeLeft{}}
	d.Note(who, "outputs off", "every bench", "")
	type answer struct {
		bench  string
		report api.OffReport
	}
	answers := make(chan answer)
	asked := 0
	for _, p := range d.lab.Peers() {
		if p.Hub || p.Left {
			continue
		}
		asked++
		go func() { answers <- answer{p.Name, d.offAt(ctx, who, p.Name)} }()
	}
	var texts []string
	for range asked {
		a := <-answers
		out.Safe = out.Safe && a.report.Safe
		out.Stopped = append(out.Stopped, a.report.Stopped...)
		for _, o := range a.report.Off {
			o.Instrument = a.bench + ": " + o.Instrument
			out.Off = append(out.Off, o)
		}
		for _, n := range a.report.Nodes {
			n.Node = a.bench + ": " + n.Node
			out.Nodes = append(out.Nodes, n)
		}
		text := a.report.Text
		if !strings.HasPrefix(text, "the bench "+a.bench) {
			text = a.bench + ": " + text
		}
		texts = append(texts, text)
	}
	slices.Sort(texts)
	out.Text, out.Seconds = strings.Join(texts, "; "), d.clock.Since(begun).Seconds()
	if why := d.lab.Reachable(); why != "" {
		out.Safe, out.Text = false, strings.TrimPrefix(out.Text+"; "+why+": benches may have outputs on. Go there and switch them off by hand", "; ")
	} else if asked == 0 {
		out.Text = "there is no bench in the lab"
	}
	d.takeReport(out)
	d.mu.Lock()
	d.unsafe = false // there is nothing here
	d.mu.Unlock()
	api.Publish(d.events, api.Event{Time: d.clock.Now().UTC(), Kind: "off", Off: &out})
	d.tellBench()
	d.Note(who, "outputs off", "every bench", out.Text)
	return out, nil
}

// labOutputs tells whether any bench of the lab has an output on, as far as that is known here.
func (d *Daemon) labOutputs() string {
	if d.lab.Reachable() != "" {
		return "not verified"
	}
	out := "off"
	for _, p := range d.lab.Peers() {
		switch {
		case p.Hub || p.Left:
		case p.Gone || p.Outputs == "not verified":
			return "not verified"
		case p.Outputs == "on":
			out = "on"
		}
	}
	return out
}

// Lab is the lab at a glance.
func (d *Daemon) Lab() api.Lab {
	out := api.Lab{Members: []api.Member{}}
	if d.lab == nil {
		return out
	}
	out.Joined, out.Name, out.Hub, out.Cut = true, d.name(), d.hub(), d.lab.Reachable()
	for _, p := range d.lab.Peers() {
		one := api.Member{Name: p.Name, Title: p.Title, Hub: p.Hub, Host: p.Host, Version: p.Version, State: "here", Heard: p.Heard.UTC(), Simulated: p.Simulated,
			Armed: p.Armed, Held: p.Held, Outputs: p.Outputs, Running: p.Running, Instruments: []api.Instrument{}}
		switch {
		case p.Left:
			one.State = "left"
		case p.Gone:
			one.State, one.Outputs = "vanished", "not verified"
		}
		for _, in := range p.Instruments {
			i := api.Instrument{Name: in.Name, Model: in.Model, Wired: []string{}}
			for _, c := range in.Channels {
				i.Channels = append(i.Channels, api.Channel(c))
				i.Wired = append(i.Wired, c.Kind+" at "+c.Node)
			}
			one.Instruments = append(one.Instruments, i)
		}
		out.Members = append(out.Members, one)
	}
	slices.SortFunc(out.Members, func(a, b api.Member) int { return strings.Compare(a.Name, b.Name) })
	out.Queue.Scheduled, out.Queue.Queued, out.Queue.Running = d.lab.Counts()
	return out
}
