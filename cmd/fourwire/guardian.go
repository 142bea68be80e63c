package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"fourwire/driver"
	"fourwire/driver/guardian"
	"fourwire/internal/clock"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/run"
	"fourwire/transport"
	"fourwire/transport/dial"
)

// guardianCommand is the second process of a run on real instruments. People do not call it.
func (a *app) guardianCommand() *cobra.Command {
	return &cobra.Command{
		Use:    "guardian",
		Short:  "Switch a bench off when the run that holds it is gone (started by run)",
		Hidden: true,
		Args:   cobra.NoArgs,
		RunE:   func(*cobra.Command, []string) error { return a.guardian() },
	}
}

func (a *app) guardian() error {
	// what ends the run must not end its guardian, and a terminal or pipe that is gone must not either
	signal.Ignore(os.Interrupt, syscall.SIGTERM, syscall.SIGHUP, syscall.SIGPIPE)
	notes := newNotes(a.err)
	defer notes.close()
	d := &dial.Dialer{}
	var based sync.Once
	err := guardian.Serve(context.Background(), a.in, a.out, guardian.Config{
		Dial: func(ctx context.Context, address transport.Address, baseDir string) (transport.Link, error) {
			based.Do(func() { d.BaseDir = baseDir })
			return d.Dial(ctx, address)
		},
		Note:      notes.take,
		EndRunner: endParent(),
	})
	if errors.Is(err, guardian.ErrNotSafe) {
		return &failure{status: exitSafety, err: err}
	}
	return err
}

// endParent ends the process that started this one, and no other.
func endParent() func(int) error {
	parent := os.Getppid()
	process, err := os.FindProcess(parent) // now, so that a later process of the same number is not taken for it
	return func(number int) error {
		if err != nil {
			return err
		}
		if number != parent || os.Getppid() != parent {
			return fmt.Errorf("process %d did not start this guardian, or is gone", number)
		}
		return process.Kill()
	}
}

// notes keeps what a guardian does, without ever making it wait for a disk or a terminal.
type notes struct {
	queue chan note
	done  chan struct{}
	to    io.Writer
}

type note struct {
	record string
	event  guardian.Event
}

func newNotes(to io.Writer) *notes {
	n := &notes{queue: make(chan note, 1000), done: make(chan struct{}), to: to}
	go n.write()
	return n
}

func (n *notes) take(record string, e guardian.Event) {
	select {
	case n.queue <- note{record, e}:
	default: // nobody takes them; the instruments come first
	}
}

// close waits for what has not been written yet, but not for a disk or a terminal that stands still.
func (n *notes) close() {
	close(n.queue)
	ctx, cancel := clock.Real().WithTimeout(context.Background(), 3*time.Second)
	defer cancel()
	select {
	case <-n.done:
	case <-ctx.Done():
	}
}

func (n *notes) write() {
	defer close(n.done)
	shown := make(chan string, cap(n.queue))
	all := make(chan struct{})
	go func() {
		defer close(all)
		for line := range shown {
			fmt.Fprintln(n.to, line)
		}
	}()
	logs := map[string]*record.Log{}
	defer func() {
		for _, log := range logs {
			_ = log.Close() // every line has been written
		}
	}()
	first := "" // what several records get is shown once
	for one := range n.queue {
		if first == "" || one.record == first {
			first = one.record
			shown <- "fourwire guardian: " + printable(one.event.Text)
		}
		log := logs[one.record]
		if log == nil {
			var err error
			if log, err = record.OpenLog(one.record, nil); err != nil {
				shown <- "fourwire guardian: " + printable(err.Error())
				continue
			}
			logs[one.record] = log
		}
		e := record.Event{Level: one.event.Level, Kind: "guardian", Text: one.event.Text, Fields: one.event.Fields}
		if err := log.Event(e); err != nil {
			shown <- "fourwire guardian: the record cannot be written: " + printable(err.Error())
		}
	}
	close(shown)
	<-all
}

// keeper is the run's side of its guardian; without one, for a simulated bench, it does nothing.
type keeper struct {
	heart    *guardian.Heart
	process  *exec.Cmd
	pipe     io.Closer
	coverage guardian.Coverage
	cancel   context.CancelCauseFunc
	orders   guardian.Orders
}

// newKeeper makes the keeper of a bench. Links of real instruments go through its heart.
func newKeeper(simulated bool) *keeper {
	if simulated {
		return &keeper{coverage: guardian.InProcess()}
	}
	return &keeper{heart: guardian.NewHeart(clock.Real())}
}

func (k *keeper) link(l transport.Link) transport.Link {
	if k.heart == nil {
		return l
	}
	return k.heart.Watch(l)
}

// start starts the guardian process and gives it its orders. The context that it returns ends when the run is not guarded any more.
func (k *keeper) start(ctx context.Context, a *app, o guardian.Orders) (context.Context, error) {
	if k.heart == nil {
		return ctx, nil
	}
	ctx, k.cancel = context.WithCancelCause(ctx)
	exe, err := os.Executable()
	if err != nil {
		return ctx, err
	}
	k.process = &exec.Cmd{Path: exe, Args: []string{os.Args[0], "guardian"}, Stderr: a.err, SysProcAttr: apart()}
	to, err := k.process.StdinPipe()
	if err != nil {
		return ctx, err
	}
	from, err := k.process.StdoutPipe()
	if err != nil {
		return ctx, err
	}
	if err := k.process.Start(); err != nil {
		return ctx, fmt.Errorf("the guardian process cannot be started: %w", err)
	}
	k.pipe, k.orders = to, o
	o.Runner = os.Getpid()
	hands, err := k.heart.Start(context.WithoutCancel(ctx), to, from, o, func(err error) {
		if !errors.Is(err, guardian.ErrRelieved) {
			err = fmt.Errorf("%w: %w", run.ErrUnguarded, err)
		}
		k.cancel(err)
	})
	if err != nil {
		_ = to.Close()
		return ctx, fmt.Errorf("the guardian: %w", err)
	}
	k.coverage = guardian.Covers(hands)
	return ctx, nil
}

// guard gives the run what it needs to be guarded.
func (k *keeper) guard(c *run.Config) {
	if k.heart != nil {
		c.Ready, c.Busy, c.Relieved = k.heart.Arm, k.heart.Busy, k.heart.Relieved
	}
}

// end ends the guard. letGo closes the run's own connections, so that the guardian can have them where they are needed.
func (k *keeper) end(ctx context.Context, err error, letGo func()) error {
	if k.heart == nil || k.process == nil {
		return err
	}
	var live *run.NotSafe
	var unsafe error
	if errors.As(err, &live) {
		unsafe = live
	}
	if unsafe != nil || k.heart.Relieved() != nil {
		letGo()
	}
	if relieved := k.heart.Relieved(); relieved != nil && err == nil {
		err = &run.Stop{Kind: run.Safety, Err: relieved}
	}
	report, failed := k.heart.End(context.WithoutCancel(ctx), unsafe)
	if report != nil {
		err = errors.Join(err, errors.New("the guardian has acted: "+report.Text()))
	}
	if failed != nil {
		err = errors.Join(err, failed)
	}
	if report == nil && (unsafe != nil || k.heart.Relieved() != nil) {
		err = errors.Join(err, k.takeBack(ctx))
	}
	_ = k.pipe.Close()
	_ = k.wait() // how it ended has been said
	k.cancel(nil)
	return err
}

// takeBack switches off from here where the guardian has gone, or stands still, without having said that the bench is safe.
func (k *keeper) takeBack(ctx context.Context) error {
	d := &dial.Dialer{BaseDir: k.orders.BaseDir}
	report, err := guardian.MakeSafe(context.WithoutCancel(ctx), k.orders, "the guardian was lost before the bench was safe", guardian.Config{
		Dial: func(ctx context.Context, address transport.Address, _ string) (transport.Link, error) {
			return d.Dial(ctx, address)
		},
	})
	if report != nil {
		err = errors.Join(errors.New("the bench was taken back: "+report.Text()), err)
	}
	return err
}

// wait waits for the guardian process, but not for one that stands still.
func (k *keeper) wait() error {
	over := make(chan error, 1)
	go func() { over <- k.process.Wait() }()
	ctx, cancel := clock.Real().WithTimeout(context.Background(), 3*time.Second)
	defer cancel()
	select {
	case err := <-over:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// ordersFor is what the guardian of a run, or of the runs of several sites, has to know.
func ordersFor(runs ...*oneRun) (guardian.Orders, error) {
	base, err := filepath.Abs(filepath.Dir(runs[0].bench.path))
	if err != nil {
		return guardian.Orders{}, err
	}
	o := guardian.Orders{BaseDir: base}
	turns := map[string]guardian.Turn{}
	ordered := map[string]bool{}
	for _, r := range runs {
		dir, err := filepath.Abs(r.writer.Dir())
		if err != nil {
			return guardian.Orders{}, err
		}
		if o.Record == "" {
			o.Record = dir
		} else {
			o.Also = append(o.Also, dir)
		}
		r.orderNodes(&o, turns)
	}
	for _, r := range runs {
		for _, in := range r.opened.instruments {
			if ordered[in.Name()] {
				continue
			}
			ordered[in.Name()] = true
			m := in.Model()
			o.Instruments = append(o.Instruments, guardian.Instrument{Name: in.Name(), Address: r.opened.addresses[in.Name()].String(),
				Model: m.Name, Text: string(m.Source), Expect: in.Identity(), Turn: turns[in.Name()]})
		}
	}
	return o, nil
}

// orderNodes says when the instruments of a run are switched off, and which of its nodes are looked at by what needs no relay for it.
func (r *oneRun) orderNodes(o *guardian.Orders, turns map[string]guardian.Turn) {
	seen := map[string]bool{}
	for _, role := range r.plan.Roles {
		name := role.Channel.Instrument
		switch {
		case role.Need.Role == sequence.RoleMeter:
			continue
		case role.Need.Role == sequence.RoleLoad:
			turns[name] = guardian.First
		case turns[name] == guardian.Never:
			turns[name] = guardian.Second
		}
		node := role.Need.Node
		if seen[node] {
			continue
		}
		seen[node] = true
		n := guardian.Node{Node: node, Safe: driver.DischargedVolts}
		if site := r.bench.bench.View.Site; site != "" {
			n.Node += " of " + site
		}
		if k := r.plan.GaugeIndex(sequence.Volts, node); k >= 0 {
			if g, ok := r.plan.Gauges[k].Direct(); ok {
				n.Instrument, n.Channel = g.Channel.Instrument, g.Channel.Number
			}
		}
		if w, ok := r.plan.Guard(node); ok && w.Volts.Set {
			n.MostVolts = min(w.Volts.High, 1e9)
		}
		o.Nodes = append(o.Nodes, n)
	}
}
