package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"fourwire/driver"
	"fourwire/driver/guardian"
	"fourwire/driver/hazard"
	"fourwire/driver/turns"
	"fourwire/internal/clock"
	"fourwire/internal/ledger"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence/run"
	"fourwire/transport"
	"fourwire/transport/dial"
)

// siteRuns is the runs of several sites at the same time: one process, one connection to each instrument, one guardian; a record for each.
type siteRuns struct {
	app    *app
	flags  runFlags
	names  []string
	runs   []*siteRun
	bench  *testBench
	opened *openBench // clock and simulator of all of them
	keeper *keeper
	pool   *turns.Pool
	stop   context.CancelCauseFunc

	mu sync.Mutex // guards what is printed
}

// siteRun is the run of one site.
type siteRun struct {
	*oneRun
	site    string
	party   *turns.Party
	told    int // points when progress was told last
	summary run.Summary
	err     error
	status  int
}

// runSites runs a sequence at several sites at the same time.
func (a *app) runSites(ctx context.Context, path string, f runFlags, seeded bool, tb *testBench, sites []string) error {
	s := &siteRuns{app: a, flags: f, names: sites, bench: tb}
	if f.resume != "" {
		return wrong(errors.New("one record goes on at a time: its site is the one that it was made at"))
	}
	if err := s.bind(path); err != nil {
		return err
	}
	var err error
	if s.opened, err = openClock(tb, f.seed, seeded, time.Time{}); err != nil {
		return notRight(err, "")
	}
	for _, r := range s.runs {
		r.opened = &openBench{clock: s.opened.clock, simulator: s.opened.simulator, seed: s.opened.seed, ledger: &measured.Ledger{}, addresses: s.opened.addresses}
		if err := r.begin(); err != nil {
			return err
		}
		defer r.writer.Close()
	}
	s.walk(ctx)
	return s.finish()
}

// bind reads the sequence and binds it for each site.
func (s *siteRuns) bind(path string) error {
	out := s.flags.out
	shown := map[string]bool{}
	for _, site := range s.names {
		seq, input, err := loadSequence(path, s.flags.set) // each has its own
		if err != nil {
			return err
		}
		if out == "" {
			out = filepath.Join("records", clock.Real().Now().Format("20060102-150405")+"-"+slug(seq.Title))
		}
		view, err := s.bench.forSite(site, s.names)
		if err != nil {
			return err
		}
		files, options, err := optionsFor(seq, path, input.Data, s.flags.accept)
		if err != nil {
			return err
		}
		quiet := &app{in: s.app.in, out: s.app.out, err: s.app.err}
		if s.app.json { // one document for all sites
			quiet.out = io.Discard
		}
		device, err := deviceOf(s.flags.devices, site, s.names)
		if err != nil {
			return err
		}
		flags := s.flags
		flags.quiet, flags.out = true, filepath.Join(out, site)
		r := &siteRun{site: site, oneRun: &oneRun{app: quiet, flags: flags, device: device, path: path, seq: seq, bench: view, keeper: &keeper{}}}
		r.inputs = append(append([]inputFile{input}, view.inputs...), files...)
		if r.plan, err = bind(seq, input.Data, view, options, &r.warnings); err != nil {
			return fmt.Errorf("%s: %w", site, err)
		}
		for _, w := range r.warnings {
			if text := w.Render(); !shown[text] {
				shown[text] = true
				fmt.Fprintln(s.app.err, text)
			}
		}
		s.runs = append(s.runs, r)
	}
	return nil
}

// walk opens the instruments, asks where it must, and runs all sites. Each keeps how it ended.
func (s *siteRuns) walk(ctx context.Context) {
	ctx, s.stop = context.WithCancelCause(ctx)
	defer s.stop(nil)
	s.keeper = newKeeper(s.bench.simulated)
	s.pool = turns.NewPool(s.opened.clock, func(name string, err error) {
		s.stop(&run.Elsewhere{Kind: run.Bench, Err: fmt.Errorf("%s, which the sites share: %w", name, err)})
	})
	err := s.open(ctx)
	defer s.close()
	if err == nil {
		err = s.account()
	}
	if err != nil {
		s.all(err)
		return
	}
	orders, err := ordersFor(s.plain()...)
	if err == nil {
		ctx, err = s.keeper.start(ctx, s.app, orders)
		if err != nil {
			err = notRight(err, "nothing was set; a run on real instruments needs a second process that switches off should the first be killed")
		}
	}
	if err == nil {
		err = s.consent(ctx)
	}
	if err == nil {
		s.together(ctx)
	} else {
		s.all(err)
	}
	s.guarded(ctx)
}

// guarded ends the guard. What the guardian had to do is no site's own: every site that has come to no other end says it.
func (s *siteRuns) guarded(ctx context.Context) {
	var ends []error
	for _, r := range s.runs {
		ends = append(ends, r.err)
	}
	before := errors.Join(ends...)
	after := s.keeper.end(ctx, before, s.close)
	if s.keeper.heart == nil || after == nil || before != nil && after.Error() == before.Error() {
		return
	}
	for _, r := range s.runs {
		if r.err == nil || errors.Is(after, guardian.ErrRelieved) && !errors.Is(r.err, guardian.ErrRelieved) {
			r.err = errors.Join(r.err, after)
		}
	}
}

func (s *siteRuns) all(err error) {
	for _, r := range s.runs {
		r.err = err
	}
}

func (s *siteRuns) plain() []*oneRun {
	out := make([]*oneRun, len(s.runs))
	for i, r := range s.runs {
		out[i] = r.oneRun
	}
	return out
}

// open dials every instrument once. What is said goes into the record of the site that says it; before the runs begin, into those of all that use it.
func (s *siteRuns) open(ctx context.Context) error {
	o := s.opened
	names := map[transport.Address]string{}
	d := &dial.Dialer{Clock: o.clock, Start: o.clock.Now(), BaseDir: filepath.Dir(s.bench.path)}
	if o.simulator != nil {
		d.Sim = o.simulator.Link
	}
	d.Tap = func(a transport.Address) transport.Tap {
		name, address := names[a], a.String()
		users := s.users(name)
		return func(wall time.Time, _ time.Duration, way byte, message []byte) {
			site, section := s.pool.Speaker(name)
			for _, r := range users {
				if site == "" || site == r.site {
					r.writer.WireIn(section, wall, name, address, way == transport.TapSent, message)
				}
			}
		}
	}
	for _, in := range s.bench.bench.Instruments {
		users := s.users(in.Name)
		if len(users) == 0 {
			continue
		}
		if o.wrap = nil; len(users) > 1 {
			o.wrap = func(l transport.Link) transport.Link { return s.pool.Link(in.Name, l) }
		}
		one, err := o.openNext(ctx, s.keeper, d, names, in, s.bench, s.flags.debug)
		if err != nil {
			return err
		}
		if len(users) > 1 {
			s.pool.Add(in.Name, one)
		}
		for _, r := range users {
			r.opened.instruments = append(r.opened.instruments, one)
		}
	}
	return nil
}

// users are the runs that use an instrument.
func (s *siteRuns) users(name string) []*siteRun {
	var out []*siteRun
	for _, r := range s.runs {
		if r.plan.Uses(name) {
			out = append(out, r)
		}
	}
	return out
}

// close lets go of every instrument.
func (s *siteRuns) close() {
	for _, r := range s.runs {
		r.opened.keepTimes()
		r.opened.instruments = nil
	}
	s.opened.close()
}

// account begins the accounts of the sites and lets their own instruments book on them.
func (s *siteRuns) account() error {
	for _, r := range s.runs {
		o := r.opened
		o.began, o.spans = o.clock.Now(), ledger.New(o.clock)
		r.party = s.pool.Join(r.site, o.spans, o.ledger)
		for _, in := range o.instruments {
			if !s.pool.Shares(in.Name()) {
				in.Lend(o.spans, o.ledger)
			}
		}
		if err := r.writer.Instruments(o.identities(r.bench, r.plan)); err != nil {
			return err
		}
		if err := r.writer.Columns(columnsOf(r.plan), r.plan.Parts); err != nil {
			return err
		}
		others := slices.DeleteFunc(slices.Clone(s.names), func(o string) bool { return o == r.site })
		text := fmt.Sprintf("site %s, at the same time as %s", r.site, strings.Join(others, ", "))
		if shared := r.bench.bench.View.Shared; len(shared) > 0 {
			text += "; shared: " + strings.Join(shared, ", ")
		}
		if err := r.writer.Event(record.Event{Kind: "sites", Text: text}); err != nil {
			return err
		}
	}
	return nil
}

// consent says what switches off in which case, asks once for all sites, and checks the hook-up of each.
func (s *siteRuns) consent(ctx context.Context) error {
	coverage := s.keeper.coverage
	for _, r := range s.runs {
		r.keeper = s.keeper
		if err := r.writer.Event(record.Event{Kind: "coverage", Text: coverage.Text(), Fields: map[string]any{"ends": coverage.Ends}}); err != nil {
			return err
		}
	}
	if s.bench.simulated {
		return nil
	}
	signal.Ignore(syscall.SIGPIPE) // whoever reads what is printed may go away; the outputs are switched off all the same
	notes := cautionsFor(s.bench, s.runs[0].seq)
	s.app.printCautions(notes)
	if err := s.ask(notes, coverage); err != nil {
		return err
	}
	for _, r := range s.runs {
		if err := r.checkHookup(ctx); err != nil {
			return err
		}
	}
	return nil
}

// ask asks whoever is there, once; the time that it takes is theirs.
func (s *siteRuns) ask(notes []hazard.Note, coverage guardian.Coverage) error {
	for _, r := range s.runs {
		defer r.opened.spans.EnterWhole(ledger.Operator, "").Leave()
	}
	if !s.flags.yes {
		for _, r := range s.runs[:len(s.runs)-1] {
			fmt.Fprintf(s.app.err, "Site %s:\n", r.site)
			s.app.tellOutputs(r.plan)
		}
		fmt.Fprintf(s.app.err, "Site %s:\n", s.runs[len(s.runs)-1].site)
		if err := s.app.confirm(s.runs[len(s.runs)-1].plan, coverage); err != nil {
			return err
		}
	}
	for _, r := range s.runs {
		r.flags.acknowledge = s.flags.acknowledge
		if err := r.acknowledge(notes); err != nil {
			return err
		}
		s.flags.acknowledge = r.flags.acknowledge // for all sites at once
	}
	return nil
}

// together runs all sites.
func (s *siteRuns) together(ctx context.Context) {
	s.pool.Begin()
	var courses []func(context.Context)
	for _, r := range s.runs {
		courses = append(courses, func(ctx context.Context) { s.course(ctx, r) })
	}
	clock.Together(ctx, s.opened.clock, courses...)
	s.pool.End()
}

// course is the run of one site.
func (s *siteRuns) course(ctx context.Context, r *siteRun) {
	config := run.Config{
		Plan: r.plan, Instruments: r.opened.forRun(), Clock: r.opened.clock, Ledger: r.opened.ledger, Share: r.party,
		Sink: r.writer, Spans: r.opened.spans, Observe: func(e run.Event) {
			r.watch.observe(e)
			s.tell(r, e)
		},
	}
	s.keeper.guard(&config)
	if heart := s.keeper.heart; heart != nil {
		var course *guardian.Course
		ctx, course = heart.Course(ctx)
		defer course.End()
		config.Busy, r.party.Busy = course.Busy, course.Busy
		config.Ready = func(ctx context.Context) error {
			course.Busy(arming)
			defer course.Busy(0)
			return heart.Arm(ctx)
		}
	}
	r.summary, r.err = run.Run(ctx, config)
	r.opened.spans.Close()
	r.party.Leave()
	if why := s.endsAll(r); why != nil {
		s.stop(why)
	}
	if r.err != nil {
		s.print(r.site, "ended early: "+r.err.Error())
	} else {
		s.print(r.site, fmt.Sprintf("done, %s", r.summary.Outcome))
	}
}

// arming is how long it may take until the guard is armed.
const arming = 15 * time.Second

// tell shows what is worth it while the runs go on.
func (s *siteRuns) tell(r *siteRun, e run.Event) {
	switch {
	case e.Point != nil:
		if step := max(1, e.Planned/10); e.Done >= r.told+step || e.Done == e.Planned {
			r.told = e.Done
			s.print(r.site, fmt.Sprintf("%d of %d points", e.Done, e.Planned))
		}
	case e.Verdict != nil || e.Result != nil || e.Kind == "recording":
	case e.Text != "" && (e.Level != "info" || notable[e.Kind]):
		s.print(r.site, e.Text)
	}
}

func (s *siteRuns) print(site, text string) {
	if s.flags.quiet {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	fmt.Fprintf(s.app.err, "%s: %s\n", site, printable(text))
}

var _ turns.Lendable = (*driver.Instrument)(nil)
