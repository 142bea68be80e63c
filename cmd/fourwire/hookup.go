package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fourwire/driver"
	"fourwire/driver/hookup"
	"fourwire/internal/diag"
	"fourwire/sequence"
	"fourwire/transport"
	"fourwire/transport/dial"
)

type hookupFlags struct {
	sites    []string
	sequence string
	drawing  string
	seed     uint64
	yes      bool
	quiet    bool
}

// defaultDrawing stands for a drawing whose file is not named.
const defaultDrawing = "\x00"

func (a *app) hookupCommand() *cobra.Command {
	var f hookupFlags
	cmd := &cobra.Command{
		Use:   "hookup BENCH",
		Short: "Check at a harmless level whether a bench is wired as its file says, or draw the wiring",
		Long: `Puts a few percent of a node's voltage on it, each source in turn, with a small current limit and the protection set first, and
looks at every meter. It finds leads that are open, reversed, swapped or too resistive, shorts, sense leads that are open or
exchanged, meters at the wrong node or out of the line, and a source that oscillates; with the evidence and what to do. What
cannot be told at that level it says too: a converter does not start at a few percent of its input voltage.

No output goes above a tenth of what its node is meant for: "nodes: {dut.in: {nominal: 12 V}}" in the bench file says it, or a
sequence does. Where neither is known it is 0.25 V. Outputs are off afterwards, whatever happens. Before real instruments are
switched on it says so and asks, unless --yes. At that level no second process stands by to switch off.

--drawing draws the wiring instead; nothing is connected. With a sequence it shows the drop of each lead at the planned current.

Exit status: 0 all right (doubts included), 3 the input is wrong, 4 the hook-up is not right or an instrument is not reachable,
5 something may still be on, 130 interrupted.`,
		Example: `  fourwire hookup lab.yaml
  fourwire hookup lab.yaml --sequence efficiency.yaml --drawing wiring.svg`,
		Args: cobra.RangeArgs(1, 2),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 2 { // a file behind --drawing, with a space between
				if f.drawing != defaultDrawing {
					return &failure{status: exitInput, err: fmt.Errorf("one bench at a time: what is %q for?", args[1]), hint: `see "fourwire hookup --help"`}
				}
				f.drawing = args[1]
			}
			return a.hookup(cmd.Context(), args[0], f, cmd.Flags().Changed("seed"))
		},
	}
	cmd.Flags().StringArrayVar(&f.sites, "site", nil, "site of a bench that has several; one at a time")
	cmd.Flags().StringVar(&f.sequence, "sequence", "", "sequence that says what each node is meant for")
	cmd.Flags().StringVar(&f.drawing, "drawing", "", "draw the wiring into FILE.svg, the bench file's name if left out")
	cmd.Flags().Lookup("drawing").NoOptDefVal = defaultDrawing
	cmd.Flags().Uint64Var(&f.seed, "seed", 0, "seed of a simulated bench; the scenario's own if left out")
	cmd.Flags().BoolVar(&f.yes, "yes", false, "do not ask before switching real instruments on")
	cmd.Flags().BoolVar(&f.quiet, "quiet", false, "no progress, results only")
	return cmd
}

func (a *app) hookup(ctx context.Context, path string, f hookupFlags, seeded bool) error {
	var found diag.Findings
	tb, err := loadBench(path, &found)
	if err != nil {
		return wrong(err)
	}
	if tb == nil || found.Failed() {
		return &failure{status: exitInput, findings: found.List()}
	}
	for _, w := range found.List() {
		fmt.Fprintln(a.err, w.Render())
	}
	if tb, err = oneSite(tb, f.sites); err != nil {
		return err
	}
	var seq *sequence.Sequence
	if f.sequence != "" {
		if seq, _, err = loadSequence(f.sequence, nil); err != nil {
			return err
		}
	}
	if f.drawing != "" {
		return a.draw(tb, seq, f.drawing)
	}
	if seeded && !tb.simulated {
		return &failure{status: exitInput, err: errors.New("--seed is for a simulated bench; this one has real addresses")}
	}
	if !tb.simulated && !f.yes {
		if err := a.confirmHookup(tb, seq); err != nil {
			return err
		}
	}
	opened, err := openClock(tb, f.seed, seeded, time.Time{})
	if err != nil {
		return notRight(err, "")
	}
	defer opened.close()
	if err := opened.openWired(ctx, tb); err != nil {
		return err
	}
	config := hookupConfig(tb, opened, seq)
	if !f.quiet && !a.json {
		config.Progress = func(text string) { fmt.Fprintln(a.err, "hook-up: "+printable(text)) }
	}
	rep, err := hookup.Check(ctx, config)
	if a.json {
		if derr := a.document(rep); derr != nil {
			err = errors.Join(err, derr)
		}
	} else {
		fmt.Fprint(a.out, printable(rep.Text()))
	}
	if err := hookupFailure(ctx, rep, err); err != nil {
		return err
	}
	return stampHookup(tb, opened.clock.Now)
}

// hookupFailure turns the outcome of a check into that of a command; nil where all is right.
func hookupFailure(ctx context.Context, rep *hookup.Report, err error) error {
	var live *hookup.NotSafe
	switch {
	case errors.As(err, &live):
		return &failure{status: exitSafety, err: err, hint: "go to the bench and switch off by hand"}
	case err != nil && errors.Is(context.Cause(ctx), errInterrupted):
		return &failure{status: exitInterrupted, err: errInterrupted}
	case err != nil:
		return notRight(fmt.Errorf("the hook-up could not be checked: %w", err), "")
	case !rep.Right:
		return notRight(errors.New("the hook-up is not right: "+rep.Worst()), "put it right and check again: fourwire hookup")
	}
	return nil
}

// hookupConfig says what is checked: what nodes are meant for comes from the bench file and from a sequence; the lower of the two counts.
func hookupConfig(tb *testBench, o *openBench, seq *sequence.Sequence) hookup.Config {
	c := hookup.Config{Bench: tb.bench, Clock: o.clock, Instruments: map[string]*driver.Instrument{}, Nominal: map[string]float64{}, Planned: planned(seq)}
	for _, in := range o.instruments {
		c.Instruments[in.Name()] = in
	}
	for _, n := range tb.bench.Nodes {
		if n.NominalVolts > 0 {
			c.Nominal[n.Name] = n.NominalVolts
		}
	}
	if seq == nil {
		return c
	}
	for _, n := range seq.Needs {
		if n.Role != sequence.RoleSource || !n.Volts.Set || math.IsInf(n.Volts.High, 0) {
			continue
		}
		middle := math.Abs(n.Volts.High)
		if !math.IsInf(n.Volts.Low, 0) {
			middle = math.Abs(n.Volts.Low+n.Volts.High) / 2
		}
		if have := c.Nominal[n.Node]; middle > 0 && (have == 0 || middle < have) {
			c.Nominal[n.Node] = middle
		}
	}
	return c
}

// planned is the largest current that a sequence plans at each node.
func planned(seq *sequence.Sequence) map[string]float64 {
	out := map[string]float64{}
	if seq == nil {
		return out
	}
	for _, n := range seq.Needs {
		if n.Role != sequence.RoleMeter && n.Amps.Set && !math.IsInf(n.Amps.High, 0) {
			out[n.Node] = max(out[n.Node], n.Amps.High)
		}
	}
	return out
}

// openWired opens every instrument that the bench has wired.
func (o *openBench) openWired(ctx context.Context, tb *testBench) error {
	d := &dial.Dialer{Clock: o.clock, Start: o.clock.Now(), BaseDir: filepath.Dir(tb.path)}
	if o.simulator != nil {
		d.Sim = o.simulator.Link
	}
	wired := map[string]bool{}
	for _, w := range tb.bench.Wiring {
		wired[w.Instrument] = true
	}
	for _, in := range tb.bench.Instruments {
		if !wired[in.Name] {
			continue
		}
		m := tb.models[in.Name]
		address, err := transport.ParseAddress(in.Address)
		if err != nil {
			return &failure{status: exitInput, err: fmt.Errorf("%s: %w", in.Name, err)}
		}
		defaults, err := wireOptions(m, address.Scheme)
		if err != nil {
			return &failure{status: exitInput, err: err}
		}
		one, err := o.openOne(ctx, &keeper{}, d, address.WithDefaults(defaults), in, m, false, tb.bench.AmbientKelvin)
		if err != nil {
			if errors.Is(context.Cause(ctx), errInterrupted) {
				return &failure{status: exitInterrupted, err: errInterrupted}
			}
			return notRight(fmt.Errorf("%s: %w", in.Name, err), "nothing was set; check power, cable and address, or ask it: fourwire ask "+in.Address+` "*IDN?"`)
		}
		o.instruments = append(o.instruments, one)
	}
	return nil
}

// confirmHookup says what will be switched on, and asks.
func (a *app) confirmHookup(tb *testBench, seq *sequence.Sequence) error {
	fmt.Fprintln(a.err, "For the hook-up check these outputs of real instruments will be switched on, one at a time:")
	for _, l := range hookup.Levels(hookupConfig(tb, &openBench{}, seq), tb.models) {
		fmt.Fprintf(a.err, "  %-12s at %-10s %s, at most %s\n", l.Channel, l.Node, voltText(l.Volts), ampText(l.Amps))
	}
	a.printCautions(cautionsFor(tb, seq))
	return a.askYes("Switch them on?")
}

// askYes asks a question that yes answers.
func (a *app) askYes(question string) error {
	fmt.Fprint(a.err, question+" [y/N] ")
	if reply := strings.ToLower(strings.TrimSpace(a.readLine())); reply != "y" && reply != "yes" { // no answer is no
		return &failure{status: exitBench, err: errors.New("not confirmed; nothing was switched on"), hint: "give --yes where nobody is there to ask"}
	}
	return nil
}

// readLine reads one line and not a byte more, so that the next question has its own answer.
func (a *app) readLine() string {
	var line []byte
	one := make([]byte, 1)
	for len(line) < 1000 {
		n, err := a.in.Read(one)
		if n == 1 {
			if one[0] == '\n' {
				break
			}
			line = append(line, one[0])
		}
		if err != nil {
			break
		}
	}
	return string(line)
}

// draw writes the wiring as a picture.
func (a *app) draw(tb *testBench, seq *sequence.Sequence, file string) error {
	if file == defaultDrawing {
		base := filepath.Base(tb.path)
		file = strings.TrimSuffix(base, filepath.Ext(base)) + ".svg"
	}
	if !strings.EqualFold(filepath.Ext(file), ".svg") {
		return wrong(fmt.Errorf("%s: a drawing is an .svg file", file))
	}
	picture := drawingOf(tb.bench, planned(seq)).File()
	if err := os.WriteFile(file, []byte(picture), 0o644); err != nil {
		return wrong(err)
	}
	if a.json {
		return a.document(map[string]string{"drawing": file})
	}
	fmt.Fprintf(a.out, "drawing: %s\n", file)
	return nil
}
