package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"unicode"

	"github.com/spf13/cobra"

	"fourwire/driver/guardian"
	"fourwire/driver/hazard"
	"fourwire/internal/clock"
	"fourwire/internal/diag"
	"fourwire/internal/ledger"
	"fourwire/record"
	"fourwire/report"
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
)

type runFlags struct {
	bench  string
	set    []string
	out    string
	resume string
	seed   uint64
	yes    bool
	quiet  bool
	debug  bool
	// noHookup runs without the hook-up check; acknowledge is who takes note of voltages that are dangerous to touch
	noHookup    bool
	acknowledge string
	operator    string   // who runs it, for the record
	devices     []string // serial numbers of the devices under test, see deviceOf
	job         string   // of the daemon that has it run
	// accept is the reason for which misfits of the bench that can only spoil results are accepted
	accept string
	// withParent ends the run in order when standard input ends: whoever started it has gone
	withParent bool
	// sites are those of the bench that are run
	sites []string
	// remarks go into the record before anything else
	remarks []record.Event
}

func (a *app) runCommand() *cobra.Command {
	var f runFlags
	var s sheetFlags
	cmd := &cobra.Command{
		Use:   "run SEQUENCE",
		Short: "Run a sequence on a bench and leave a record",
		Long: `Checks the sequence, binds it to the bench, opens the instruments and checks who they are, sets the limits, runs the
steps and leaves a record: points, verdicts, wire log, report page and workbook.

Without --bench it takes the bench that the sequence names. Before it energises real instruments it says what will be
switched on and asks, unless --yes; a simulated bench does not ask. Ctrl-C stops safely: load off, source off, discharge
checked. A software stop is no emergency stop: have a switch in the power.

The first run of a day on real instruments checks the hook-up first, at a harmless level (see "fourwire hookup --help"), unless
--no-hookup. From the bench file's touch level on (60 V d.c. where it states none) somebody must acknowledge the warning by
name: --yes does not do that, --acknowledge NAME does, and the record keeps it.

A run that ended early, or was killed, goes on with --resume RECORD: after its last whole point, with the same files, parameters
and seed, into the same record. Sources go on first, with the device unloaded; a simulated bench starts anew, an hour later.

A bench with several sites runs one of them, --site east, or several at the same time, --site east --site west or --site all: each with
a device of its own and a record of its own, OUT/east and OUT/west. Instruments that they share are used in turn. The exit status is the
gravest of all sites: 5, 130, 4, 3, 1, 2, 0. --device names the device under test by its serial number, at several sites --device east=SERIAL.

` + strings.TrimPrefix(sheetHelp, "\n") + "\n" + exitTable,
		Example: `  fourwire run examples/buoy/efficiency.yaml
  fourwire run efficiency.yaml --bench lab.yaml --set vin="[14 V, 16 V]" --out records/unit-7
  fourwire run --resume records/unit-7
  fourwire run examples/buoy/operating-point.yaml --sheet examples/buoy/units.xlsx --out records/lot-3`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			path := ""
			switch {
			case len(args) == 1:
				path = args[0]
			case f.resume == "":
				return &failure{status: exitInput, err: errors.New("name a sequence file, or a record to go on with: --resume RECORD"), hint: `see "fourwire run --help"`}
			}
			ctx, cancel := a.whileParent(cmd.Context(), f.withParent)
			defer cancel()
			if s.file != "" {
				return a.runSheet(ctx, path, f, s, cmd.Flags().Changed("seed"))
			}
			return a.run(ctx, path, f, cmd.Flags().Changed("seed"))
		},
	}
	cmd.Flags().StringVar(&f.bench, "bench", "", "bench file; the one that the sequence names if left out")
	cmd.Flags().StringArrayVar(&f.set, "set", nil, "set a parameter: name=value, as often as needed")
	cmd.Flags().StringVar(&f.out, "out", "", "folder of the record; a new one below records/ if left out")
	cmd.Flags().StringVar(&f.resume, "resume", "", "go on with the run of this record, after its last whole point")
	cmd.Flags().Uint64Var(&f.seed, "seed", 0, "seed of a simulated bench; the scenario's own if left out")
	cmd.Flags().BoolVar(&f.yes, "yes", false, "do not ask before energising real instruments")
	cmd.Flags().BoolVar(&f.quiet, "quiet", false, "no progress, results only")
	cmd.Flags().BoolVar(&f.noHookup, "no-hookup", false, "do not check the hook-up of real instruments before the first run of a day")
	cmd.Flags().StringVar(&f.acknowledge, "acknowledge", "", "name of who takes note of voltages that are dangerous to touch; --yes does not do that")
	cmd.Flags().BoolVar(&f.debug, "check-each-command", false, "ask for errors after each command instead of after each step (slow)")
	cmd.Flags().StringVar(&f.accept, "accept-fit", "", "run although the bench does not fit, with this reason in the record; not where guard or protection do not fit")
	s.add(cmd)
	cmd.Flags().StringArrayVar(&f.sites, "site", nil, siteAbout)
	cmd.Flags().StringVar(&f.operator, "operator", "", "name of who runs it, for the record and its reports")
	cmd.Flags().StringArrayVar(&f.devices, "device", nil, deviceAbout)
	cmd.Flags().StringVar(&f.job, "job", "", "id of the job that it is")
	_ = cmd.Flags().MarkHidden("job") // for the daemon
	cmd.Flags().BoolVar(&f.withParent, "with-parent", false, "stop as Ctrl-C does when standard input ends")
	_ = cmd.Flags().MarkHidden("with-parent") // for the daemon
	return cmd
}

// whileParent gives a context that ends, as after Ctrl-C, when standard input does.
func (a *app) whileParent(ctx context.Context, wanted bool) (context.Context, func()) {
	if !wanted {
		return ctx, func() {}
	}
	ctx, cancel := context.WithCancelCause(ctx)
	go func() {
		_, _ = io.Copy(io.Discard, a.in) // however it ends, whoever held it has gone
		cancel(errInterrupted)
	}()
	return ctx, func() { cancel(nil) }
}

// oneRun is everything that one call of `run` works with.
type oneRun struct {
	app      *app
	flags    runFlags
	path     string
	device   string // serial number
	seq      *sequence.Sequence
	inputs   []inputFile
	bench    *testBench
	plan     *plan.Plan
	opened   *openBench
	writer   *record.Writer
	watch    *watcher
	keeper   *keeper
	earlier  *earlier // nil: a run that begins
	warnings []diag.Finding
}

func (a *app) run(ctx context.Context, path string, f runFlags, seeded bool) error {
	r := &oneRun{app: a, keeper: &keeper{}}
	if f.resume != "" {
		var err error
		if path, r.earlier, err = recallFlags(path, &f, seeded); err != nil {
			return err
		}
		seeded = r.earlier.rec.Seed != nil
	}
	r.path, r.flags = path, f
	seq, input, err := loadSequence(path, f.set)
	if err != nil {
		return err
	}
	r.seq, r.inputs = seq, []inputFile{input}
	tb, warnings, err := benchFor(seq, path, f.bench)
	if err != nil {
		return err
	}
	sites, err := chooseSites(tb, f.sites)
	if err != nil {
		return err
	}
	if seeded && !tb.simulated {
		return &failure{status: exitInput, err: errors.New("--seed is for a simulated bench; this one has real addresses")}
	}
	if f.resume != "" && len(f.devices) > 0 {
		return wrong(errors.New("--device: a run that goes on is of the device that its record names"))
	}
	if len(sites) > 1 {
		return a.runSites(ctx, path, f, seeded, tb, sites)
	}
	if len(sites) == 1 {
		if tb, err = tb.forSite(sites[0], sites); err != nil {
			return err
		}
	}
	if r.device, err = deviceOf(f.devices, tb.bench.View.Site, sites); err != nil {
		return err
	}
	r.bench, r.inputs = tb, append(r.inputs, tb.inputs...)
	files, options, err := optionsFor(seq, path, input.Data, f.accept)
	if err != nil {
		return err
	}
	r.inputs = append(r.inputs, files...)
	if r.earlier != nil {
		if err := r.earlier.sameInputs(r.inputs); err != nil {
			return wrong(err)
		}
	}
	if r.plan, err = bind(seq, input.Data, tb, options, &warnings); err != nil {
		return err
	}
	r.warnings = warnings
	for _, w := range warnings {
		fmt.Fprintln(a.err, w.Render())
	}
	if r.opened, err = openClock(tb, f.seed, seeded, r.earlier.later()); err != nil {
		return notRight(err, "")
	}
	if err := r.begin(); err != nil {
		return err
	}
	defer r.writer.Close()
	return r.finish(r.walk(ctx))
}

// optionsFor is how a sequence is bound: with the files that its steps name.
func optionsFor(seq *sequence.Sequence, path string, data []byte, accept string) ([]inputFile, plan.Options, error) {
	var found diag.Findings
	found.Source(seq.File, data)
	files, contents := stepFiles(seq, path, &found)
	if found.Failed() {
		return nil, plan.Options{}, &failure{status: exitInput, findings: found.List()}
	}
	return files, plan.Options{Accept: accept, Files: contents}, nil
}

// bind makes the plan. What the files say wrongly is exit 3; a bench that cannot do it is exit 4.
func bind(seq *sequence.Sequence, data []byte, tb *testBench, o plan.Options, warnings *[]diag.Finding) (*plan.Plan, error) {
	var found diag.Findings
	found.Source(seq.File, data)
	for _, in := range tb.inputs {
		found.Source(in.Path, in.Data)
	}
	p := plan.BindWith(seq, tb.bench, tb.models, o, &found)
	if found.Failed() {
		status := exitBench
		return nil, &failure{status: status, findings: found.List(), err: errors.New("the bench does not serve this sequence"),
			hint: fmt.Sprintf("see \"fourwire fit %s\" for the margins of each instrument", seq.File)}
	}
	*warnings = append(*warnings, found.List()...)
	return p, nil
}

// begin makes the record folder with the inputs in it.
func (r *oneRun) begin() error {
	if r.earlier != nil {
		return r.goOn()
	}
	dir := r.flags.out
	if dir == "" {
		stamp := clock.Real().Now().Format("20060102-150405")
		dir = filepath.Join("records", stamp+"-"+slug(r.seq.Title))
	}
	start := startOf(r)
	w, err := record.Create(dir, start)
	if err != nil {
		return wrong(err)
	}
	r.writer = w
	r.warnOfSpace(dir)
	for _, in := range r.inputs {
		if err := w.Input(in.Name, in.Data); err != nil {
			return wrong(err)
		}
	}
	r.watch = newWatcher(r, start)
	for _, e := range r.flags.remarks {
		if err := w.Event(e); err != nil {
			return wrong(err)
		}
	}
	if r.flags.accept != "" {
		note := record.Event{Level: "warn", Kind: "fit", Text: fmt.Sprintf("the bench: %s; accepted: %s", r.plan.Fit.Verdict, r.flags.accept)}
		if err := w.Event(note); err != nil {
			return wrong(err)
		}
	}
	return nil
}

// slug makes a folder name of a title.
func slug(title string) string {
	var b strings.Builder
	for _, c := range strings.ToLower(title) {
		switch {
		case c < 128 && (unicode.IsLetter(c) || unicode.IsDigit(c)):
			b.WriteRune(c)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
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

// walk opens the instruments, asks where it must, and runs the plan.
func (r *oneRun) walk(ctx context.Context) (run.Summary, error) {
	r.keeper = newKeeper(r.bench.simulated)
	if err := r.opened.open(ctx, r); err != nil {
		return run.Summary{}, err
	}
	defer r.opened.close()
	if err := r.writer.Instruments(r.opened.identities(r.bench, r.plan)); err != nil {
		return run.Summary{}, err
	}
	if err := r.writer.Columns(columnsOf(r.plan), r.plan.Parts); err != nil {
		return run.Summary{}, err
	}
	orders, err := ordersFor(r)
	if err != nil {
		return run.Summary{}, err
	}
	ctx, err = r.keeper.start(ctx, r.app, orders)
	if err != nil {
		return run.Summary{}, r.keeper.end(ctx, notRight(err, "nothing was set; a run on real instruments needs a second process that switches off should the first be killed"), r.opened.close)
	}
	summary, err := r.energise(ctx)
	return summary, r.keeper.end(ctx, err, r.opened.close)
}

// energise says what switches off in which case, asks where it must, and runs the plan.
func (r *oneRun) energise(ctx context.Context) (run.Summary, error) {
	coverage := r.keeper.coverage
	if err := r.writer.Event(record.Event{Kind: "coverage", Text: coverage.Text(), Fields: map[string]any{"ends": coverage.Ends}}); err != nil {
		return run.Summary{}, err
	}
	if !r.bench.simulated {
		signal.Ignore(syscall.SIGPIPE) // whoever reads what is printed may go away; the outputs are switched off all the same
		r.watch.observe(run.Event{Kind: "coverage", Level: "info", Text: coverage.Text()})
		notes := cautionsFor(r.bench, r.seq)
		r.app.printCautions(notes)
		if err := r.consent(notes, coverage); err != nil {
			return run.Summary{}, err
		}
		if err := r.checkHookup(ctx); err != nil {
			return run.Summary{}, err
		}
	}
	config := run.Config{
		Plan: r.plan, Instruments: r.opened.forRun(), Clock: r.opened.clock, Ledger: r.opened.ledger,
		Sink: r.writer, Observe: r.watch.observe, Spans: r.opened.spans,
	}
	var err error
	if config.Resume, err = r.resumed(); err != nil {
		return run.Summary{}, err
	}
	r.keeper.guard(&config)
	return run.Run(ctx, config)
}

// consent asks whoever is there; the time that it takes is theirs.
func (r *oneRun) consent(notes []hazard.Note, coverage guardian.Coverage) error {
	defer r.opened.spans.EnterWhole(ledger.Operator, "").Leave()
	if !r.flags.yes {
		if err := r.app.confirm(r.plan, coverage); err != nil {
			return err
		}
	}
	return r.acknowledge(notes)
}

// finish closes the record, makes the reports and says how it ended.
func (r *oneRun) finish(summary run.Summary, err error) error {
	status := run.ExitStatus(summary, err)
	var f *failure
	if errors.As(err, &f) {
		status = f.status
	}
	end := record.End{Outcome: summary.Outcome, Exit: status}
	if end.Outcome == "" {
		end.Outcome = record.NotJudged
	}
	if err != nil {
		end.Reason = err.Error()
	}
	var full *record.FullError
	_ = r.writer.PutLedger(r.account(summary.Responses)) // a record without it is a whole record, and a disk that is full is told of by what follows
	if ferr := r.writer.Finish(end); ferr != nil {
		if errors.As(ferr, &full) && errors.As(err, &full) {
			ferr = errors.New("there is no room for its manifest either")
		}
		err = errors.Join(err, fmt.Errorf("the record could not be closed: %w", ferr))
		if status = max(status, exitInput); errors.As(err, &full) {
			status = max(status, exitBench)
		}
	} else if ferr := report.Build(r.writer.Dir(), forms()...); ferr != nil {
		err = errors.Join(err, fmt.Errorf("the reports could not be made: %w", ferr))
		status = max(status, exitInput)
	}
	if ferr := r.watch.end(r.writer.Dir()); ferr != nil {
		err = errors.Join(err, ferr)
	}
	if err == nil && status == exitPass {
		return nil
	}
	out := &failure{status: status, err: err}
	if f != nil {
		out.findings, out.hint = f.findings, f.hint
	}
	if out.hint == "" {
		out.hint = summary.Cause.Remedy
	}
	if (f == nil || f.hint == "") && summary.Points > 0 && (status == exitBench || status == exitInterrupted) {
		if out.hint != "" {
			out.hint += "\n"
		}
		out.hint += "once that is put right, the run goes on: fourwire run --resume " + r.writer.Dir()
	}
	return out
}

// confirm says what will be switched on and asks.
func (a *app) confirm(p *plan.Plan, coverage guardian.Coverage) error {
	a.tellOutputs(p)
	fmt.Fprintln(a.err, "What switches them off:")
	for _, e := range coverage.Ends {
		state := "covered"
		if !e.Covered {
			state = "NOT COVERED"
		}
		fmt.Fprintf(a.err, "  %-15s %-12s %s\n", e.End, state, e.How)
	}
	fmt.Fprintln(a.err, "A software stop is no emergency stop. Work on energised circuits is for qualified persons, by your local rules.")
	fmt.Fprint(a.err, "Switch them on? [y/N] ")
	var reply string
	_, _ = fmt.Fscanln(a.in, &reply) // no answer is no
	if reply = strings.ToLower(reply); reply != "y" && reply != "yes" {
		return &failure{status: exitBench, err: errors.New("not confirmed; nothing was switched on"), hint: "give --yes where nobody is there to ask"}
	}
	return nil
}

// tellOutputs says what will be switched on.
func (a *app) tellOutputs(p *plan.Plan) {
	fmt.Fprintln(a.err, "These outputs of real instruments will be switched on:")
	for _, role := range p.Roles {
		n := role.Need
		fmt.Fprintf(a.err, "  %-12s %-8s at %-10s volts %s, amps %s", role.Channel, n.Role, n.Node, span(n.Volts.Set, n.Volts.String()), span(n.Amps.Set, n.Amps.String()))
		if role.OverVolts > 0 {
			fmt.Fprintf(a.err, "; over-voltage at %s", role.OverVolts)
		}
		if role.OverAmps > 0 {
			fmt.Fprintf(a.err, "; over-current at %s", role.OverAmps)
		}
		fmt.Fprintln(a.err)
	}
}

func span(set bool, text string) string {
	if !set {
		return "not stated"
	}
	return text
}
