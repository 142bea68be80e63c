package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"fourwire/daemon"
	"fourwire/daemon/api"
	"fourwire/daemon/web"
	"fourwire/driver"
	"fourwire/driver/bench"
	"fourwire/driver/guardian"
	"fourwire/driver/ieee488"
	"fourwire/driver/model"
	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/sim"
	"fourwire/transport"
	"fourwire/transport/dial"
)

// desk is the bench of a daemon.
type desk struct {
	bench *testBench
	about daemon.Description
}

func newDesk(path string) (*desk, error) {
	tb, err := loadServed(path)
	if err != nil {
		return nil, err
	}
	d := &desk{bench: tb}
	name := strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))
	d.about = daemon.Description{Name: name, Title: tb.bench.Title, Simulated: tb.simulated}
	for _, in := range tb.bench.Instruments {
		one := api.Instrument{Name: in.Name, Model: in.Model, Address: in.Address, Calibrated: in.Calibrated, Wired: []string{}, Due: dueOf(in, tb.models[in.Name])}
		for _, w := range tb.bench.Wiring {
			if w.Instrument == in.Name {
				one.Wired = append(one.Wired, string(w.As)+" at "+w.Node)
				one.Channels = append(one.Channels, channelOf(w, tb.models[in.Name]))
			}
		}
		d.about.Instruments = append(d.about.Instruments, one)
	}
	return d, nil
}

// channelOf says in short what a channel can do for what it is wired as.
func channelOf(w bench.Wire, m *model.Model) api.Channel {
	out := api.Channel{Name: fmt.Sprint(w.Instrument, ".", w.Channel), Kind: string(w.As), Node: w.Node}
	if m == nil || w.Channel < 1 || w.Channel > len(m.Channels) {
		return out
	}
	c := m.Channels[w.Channel-1]
	most := func(list []model.Range, d quantity.Dimension) string {
		if len(list) == 0 {
			return ""
		}
		return ".." + quantity.Of(list[len(list)-1].Full, d).String()
	}
	switch {
	case w.As == bench.Source && c.Source != nil:
		out.Volts, out.Amps = spanText(c.Source.Volts), spanText(c.Source.Amps)
	case w.As == bench.Load && c.Load != nil:
		out.Volts, out.Amps = spanText(c.Load.Volts), spanText(c.Load.Amps)
	case w.As == bench.Voltmeter:
		out.Volts = most(c.Volts, quantity.Voltage)
	case w.As == bench.Ammeter:
		out.Amps = most(c.Amps, quantity.Current)
	}
	return out
}

// dueOf is the date on which the calibration of an instrument runs out: the shortest interval that its model states.
func dueOf(in bench.Instrument, m *model.Model) string {
	at, err := time.Parse(time.DateOnly, in.Calibrated)
	if err != nil || m == nil {
		return ""
	}
	least := 0.0
	for _, c := range m.Channels {
		for _, r := range slices.Concat(c.Volts, c.Amps) {
			if s := r.Accuracy.IntervalSeconds; s > 0 && (least == 0 || s < least) {
				least = s
			}
		}
	}
	if least == 0 {
		return ""
	}
	return at.Add(time.Duration(least * float64(time.Second))).Format(time.DateOnly)
}

// Description is what the bench file says.
func (d *desk) Description() daemon.Description { return d.about }

// Check reads a sequence and binds it to the bench.
func (d *desk) Check(o daemon.Order, text []byte, file func(string) ([]byte, error)) daemon.Checked {
	var found diag.Findings
	seq, out := readOrder(o, text, file, &found)
	if seq == nil {
		return out
	}
	for _, in := range d.bench.inputs {
		found.Source(in.Path, in.Data)
	}
	p := plan.BindWith(seq, d.bench.bench, d.bench.models, plan.Options{Accept: o.AcceptFit, Files: out.Files}, &found)
	out.Failed, out.Findings, out.Fit = found.Failed(), findingsOf(found.List()), string(p.Fit.Verdict)
	out.Planned, out.Predicted = p.Points, p.Predicted.Seconds()
	for _, in := range d.bench.bench.Instruments {
		if p.Uses(in.Name) {
			out.Instruments = append(out.Instruments, in.Name)
		}
	}
	for _, r := range p.Roles {
		out.Roles = append(out.Roles, daemon.Role{Name: r.Need.Name, Channel: r.Channel.String()})
	}
	return out
}

func settingsOf(set []string) []sequence.Setting {
	var out []sequence.Setting
	for _, s := range set {
		name, value, _ := strings.Cut(s, "=")
		out = append(out, sequence.Setting{Name: name, Value: strings.TrimSpace(value)})
	}
	return out
}

func findingsOf(list []diag.Finding) []api.Finding {
	var out []api.Finding
	for _, f := range list {
		level := "error"
		if f.Warning {
			level = "warning"
		}
		out = append(out, api.Finding{File: filepath.Base(f.Place.File), Line: f.Place.Line, Column: f.Place.Column, Level: level, Text: f.Text, Hint: f.Hint})
	}
	return out
}

// Probe asks an idle instrument who it is and what its error queue holds.
func (d *desk) Probe(ctx context.Context, name string) daemon.Probed {
	in, m := d.bench.bench.Find(name), d.bench.models[name]
	if in == nil || m == nil {
		return daemon.Probed{Err: fmt.Errorf("there is no instrument %s", name)}
	}
	a, err := transport.ParseAddress(in.Address)
	if err != nil {
		return daemon.Probed{Err: err}
	}
	defaults, err := wireOptions(m, a.Scheme)
	if err != nil {
		return daemon.Probed{Err: err}
	}
	dialer := &dial.Dialer{BaseDir: filepath.Dir(d.bench.path)}
	c := clock.Real()
	if d.bench.simulated {
		b, err := sim.New(d.bench.scenario, sim.Options{Seed: &d.bench.scenario.Seed})
		if err != nil {
			return daemon.Probed{Err: err}
		}
		dialer.Sim, c = b.Link, b.Clock()
		dialer.Clock = c
	}
	link, err := dialer.Dial(ctx, a.WithDefaults(defaults))
	if err != nil {
		return daemon.Probed{Err: err}
	}
	one, err := driver.Open(ctx, driver.Config{Name: name, Address: in.Address, Model: m, Link: link, Clock: c,
		Expect: driver.Identity{Maker: in.Identity.Maker, Model: in.Identity.Model, Serial: in.Identity.Serial}})
	if err != nil {
		err = errors.Join(err, link.Close())
		var refused *ieee488.Fault
		return daemon.Probed{Err: err, Wrong: !errors.As(err, &refused) && strings.Contains(err.Error(), "identity")}
	}
	defer func() { _ = one.Close() }() // it was only asked
	id := one.Identity()
	said := daemon.Probed{Identity: strings.Join([]string{id.Maker, id.Model, id.Serial, id.Firmware}, ", ")}
	err = one.CheckErrors(ctx)
	if errors.Is(err, ieee488.ErrRestarted) { // nobody relied on what it was set to
		err = one.CheckErrors(ctx)
	}
	var fault *ieee488.Fault
	if errors.As(err, &fault) && len(fault.Queue) > 0 {
		var held []string
		for _, e := range fault.Queue {
			held = append(held, e.Error())
		}
		said.Queue = strings.Join(held, "; ")
		return said
	}
	said.Err = err
	return said
}

// Arguments are those of a run.
func (d *desk) Arguments(o daemon.Order, sequence, record string, resume bool) []string {
	args := []string{"run", sequence, "--bench", absolute(d.bench.path), "--yes", "--quiet", "--json", "--with-parent"}
	if resume {
		args = append(args, "--resume", record)
	} else {
		args = append(args, "--out", record)
		for _, s := range o.Settings {
			args = append(args, "--set", s)
		}
		if o.Seed != nil {
			args = append(args, "--seed", strconv.FormatUint(*o.Seed, 10))
		}
	}
	if !resume && o.Operator != "" {
		args = append(args, "--operator", o.Operator)
	}
	if !resume && o.Device != "" {
		args = append(args, "--device", o.Device)
	}
	if !resume && o.Job != "" {
		args = append(args, "--job", o.Job)
	}
	if o.Acknowledge != "" {
		args = append(args, "--acknowledge", o.Acknowledge)
	}
	if o.NoHookup {
		args = append(args, "--no-hookup")
	}
	if o.AcceptFit != "" {
		args = append(args, "--accept-fit", o.AcceptFit)
	}
	return args
}

// Guard is what it takes to switch the whole bench off.
func (d *desk) Guard() (guardian.Orders, guardian.Config) {
	o := guardian.Orders{BaseDir: filepath.Dir(absolute(d.bench.path))}
	turns := map[string]guardian.Turn{}
	seen := map[string]bool{}
	for _, w := range d.bench.bench.Wiring {
		switch {
		case w.As == bench.Load && turns[w.Instrument] == guardian.Never:
			turns[w.Instrument] = guardian.First
		case w.As == bench.Source:
			turns[w.Instrument] = guardian.Second
		}
		if w.As == bench.Voltmeter && !seen[w.Node] {
			seen[w.Node] = true
			o.Nodes = append(o.Nodes, guardian.Node{Node: w.Node, Instrument: w.Instrument, Channel: w.Channel, Safe: driver.DischargedVolts})
		}
	}
	for _, in := range d.bench.bench.Instruments {
		m := d.bench.models[in.Name]
		a, err := transport.ParseAddress(in.Address)
		if err != nil {
			continue // the bench was checked
		}
		if defaults, err := wireOptions(m, a.Scheme); err == nil {
			a = a.WithDefaults(defaults)
		}
		needed := turns[in.Name] != guardian.Never || slices.ContainsFunc(o.Nodes, func(n guardian.Node) bool { return n.Instrument == in.Name })
		if !needed {
			continue
		}
		o.Instruments = append(o.Instruments, guardian.Instrument{Name: in.Name, Address: a.String(), Model: m.Name, Text: string(m.Source), Turn: turns[in.Name],
			Expect: driver.Identity{Maker: in.Identity.Maker, Model: in.Identity.Model, Serial: in.Identity.Serial}})
	}
	dialer := &dial.Dialer{BaseDir: o.BaseDir}
	return o, guardian.Config{Dial: func(ctx context.Context, a transport.Address, _ string) (transport.Link, error) {
		return dialer.Dial(ctx, a)
	}}
}

// servedPage is the page of the daemon.
func servedPage() http.Handler { return web.Handler() }
