package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"sync"
	"syscall"

	"github.com/spf13/cobra"

	"fourwire/internal/diag"
)

// version is what `fourwire --version` prints and what a record names; the linker may set it.
var version = "0.2.0"

// The exit statuses: scripts depend on them.
const (
	exitPass        = 0   // every verdict passed; for other commands: done
	exitFail        = 1   // a verdict failed
	exitUndecided   = 2   // undecided only, no fail
	exitInput       = 3   // the input is wrong
	exitBench       = 4   // the bench is not right: unreachable, identity, fit
	exitSafety      = 5   // stopped for safety
	exitInterrupted = 130 // Ctrl-C
)

const exitTable = `Exit status:
  0    every verdict passed (other commands: done)
  1    a verdict failed
  2    undecided only, no verdict failed
  3    the input is wrong
  4    the bench is not right: unreachable, wrong identity, does not fit
  5    stopped for safety
  130  interrupted`

// failure is an error with the exit status it stands for.
type failure struct {
	status   int
	err      error
	findings []diag.Finding
	hint     string // one on each line
}

func (f *failure) Error() string {
	if f.err != nil {
		return f.err.Error()
	}
	return "the input is wrong"
}

func (f *failure) Unwrap() error { return f.err }

func wrong(err error) error { return &failure{status: exitInput, err: err} }

func notRight(err error, hint string) error { return &failure{status: exitBench, err: err, hint: hint} }

// app is one call of the program: where it reads and writes, and the flags that every command has.
type app struct {
	in       io.Reader
	out, err io.Writer
	json     bool
}

// program is the whole program: arguments in, exit status out.
func program(args []string, in io.Reader, out, errw io.Writer) int {
	a := &app{in: in, out: out, err: errw}
	root := a.rootCommand()
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(out)
	root.SetErr(errw)
	expectLimits()
	ctx, stop := a.interruptible()
	defer stop()
	err := root.ExecuteContext(ctx)
	return a.finish(err)
}

func (a *app) rootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:   "fourwire",
		Short: "Characterise DC-DC converters and battery-powered devices on a bench of SCPI instruments",
		Long: `fourwire runs source, load and measure sequences on SCPI instruments over LAN and serial,
or on a simulated bench, and gives curves, verdicts, a report, a workbook and a record.

` + exitTable,
		Version:       version,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return cmd.Help()
		},
	}
	root.PersistentFlags().BoolVar(&a.json, "json", false, "print one JSON document for scripts; progress goes to stderr")
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return &failure{status: exitInput, err: err, hint: fmt.Sprintf("see %q", cmd.CommandPath()+" --help")}
	})
	root.SetVersionTemplate("fourwire {{.Version}}\n")
	root.AddCommand(a.runCommand(), a.checkCommand(), a.fitCommand(), a.hookupCommand(), a.reportCommand(), a.verifyCommand(), a.zoomCommand(), a.drainCommand(), a.askCommand(), a.simCommand(), a.batteryCommand(), a.serveCommand(), a.tokenCommand(), a.guardianCommand())
	return root
}

// interruptible gives a context that ends at Ctrl-C, SIGTERM or when the terminal is closed. A second signal does not end the program: outputs are on
// their way off and that must not be cut short.
func (a *app) interruptible() (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(context.Background())
	signals := make(chan os.Signal, 4)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	if !signal.Ignored(syscall.SIGHUP) { // a terminal that is closed, unless the program was told not to mind
		signal.Notify(signals, syscall.SIGHUP)
	}
	done := make(chan struct{})
	var once sync.Once
	go func() {
		for n := 0; ; n++ {
			select {
			case <-done:
				return
			case <-signals:
				if n > 0 {
					fmt.Fprintln(a.err, "fourwire: already stopping; the outputs are being switched off")
				}
				cancel(errInterrupted)
			}
		}
	}()
	return ctx, func() {
		once.Do(func() { signal.Stop(signals); close(done); cancel(nil) })
	}
}

var errInterrupted = errors.New("interrupted")

// finish prints an error for people and chooses the exit status.
func (a *app) finish(err error) int {
	if err == nil {
		return exitPass
	}
	var f *failure
	if !errors.As(err, &f) {
		// what cobra refuses by itself: an unknown command, a wrong number of arguments
		f = &failure{status: exitInput, err: err, hint: `see "fourwire --help"`}
	}
	for _, one := range f.findings {
		fmt.Fprintln(a.err, one.Render())
	}
	if f.err != nil {
		fmt.Fprintln(a.err, "fourwire: "+printable(f.err.Error()))
	}
	if f.hint != "" {
		for _, hint := range strings.Split(f.hint, "\n") {
			fmt.Fprintln(a.err, "fourwire: hint: "+printable(hint))
		}
	}
	return f.status
}

// printable keeps what came from an instrument or a file from doing anything to a terminal; line ends stay.
func printable(text string) string {
	lines := strings.Split(text, "\n")
	for i := range lines {
		lines[i] = diag.Printable(lines[i])
	}
	return strings.Join(lines, "\n")
}

// document prints the one JSON document of a command.
func (a *app) document(v any) error {
	enc := json.NewEncoder(a.out)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}
