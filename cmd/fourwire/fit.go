package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"fourwire/internal/diag"
	"fourwire/sequence/plan"
)

func (a *app) fitCommand() *cobra.Command {
	var benchPath string
	var set []string
	cmd := &cobra.Command{
		Use:   "fit SEQUENCE",
		Short: "Which instrument serves which role, margins, predicted uncertainty, time; nothing is connected",
		Long: `Puts every planned point against what the instruments of a bench can do: volts, amps, watts, the load's minimum voltage,
sense compensation. For each role it names the channel, the smallest margin and its arithmetic, and says why others do not
serve. More than 20 % in hand fits, less is tight, below zero does not fit.

Exit status: 0 it fits (tight included), 3 the input is wrong, 4 it does not fit.`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return a.fit(args[0], benchPath, set) },
	}
	cmd.Flags().StringVar(&benchPath, "bench", "", "bench file; the one that the sequence names if left out")
	cmd.Flags().StringArrayVar(&set, "set", nil, "set a parameter: name=value")
	return cmd
}

func (a *app) fit(path, benchPath string, set []string) error {
	seq, input, err := loadSequence(path, set)
	if err != nil {
		return err
	}
	tb, _, err := benchFor(seq, path, benchPath)
	if err != nil {
		return err
	}
	var found diag.Findings
	found.Source(seq.File, input.Data)
	for _, in := range tb.inputs {
		found.Source(in.Path, in.Data)
	}
	p := plan.Bind(seq, tb.bench, tb.models, &found)
	if a.json {
		if err := a.document(p.Fit); err != nil {
			return err
		}
	} else {
		fmt.Fprint(a.out, printable(p.Fit.Text()))
	}
	if found.Failed() {
		return &failure{status: exitBench, findings: found.List(), err: errors.New("the bench does not serve this sequence")}
	}
	for _, w := range found.List() {
		fmt.Fprintln(a.err, w.Render())
	}
	return nil
}
