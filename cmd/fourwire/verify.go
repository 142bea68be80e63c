package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"fourwire/record"
)

func (a *app) verifyCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "verify RECORD",
		Short: "Check that a record is what its run left",
		Long: `Holds every file of a record against the hashes in its manifest and against the seals in its log, and says which file differs
and between which seals. A record that was cut off is checked up to its last seal. Nothing is changed.

The hash of the manifest is printed: kept elsewhere, it shows that nobody wrote the whole record anew.

Exit status: 0 nothing differs, 1 something was altered, 3 this is no record.`,
		Example: `  fourwire verify records/unit-7`,
		Args:    cobra.ExactArgs(1),
		RunE:    func(_ *cobra.Command, args []string) error { return a.verify(args[0]) },
	}
}

func (a *app) verify(dir string) error {
	c, err := record.Check(dir)
	if err != nil {
		return wrong(err)
	}
	if a.json {
		if err := a.document(c); err != nil {
			return err
		}
	} else {
		a.tellChecked(c)
	}
	if !c.Whole {
		return &failure{status: exitFail, err: fmt.Errorf("%s is not what its run left", dir)}
	}
	return nil
}

func (a *app) tellChecked(c *record.Checked) {
	for _, d := range c.Differences {
		fmt.Fprintln(a.out, printable(d.Text))
	}
	for _, n := range c.Notes {
		fmt.Fprintln(a.out, "note: "+printable(n))
	}
	switch {
	case !c.Whole:
	case c.InUse:
		fmt.Fprintf(a.out, "whole so far, up to seal %d; the run, or its guardian, still writes\n", c.Seals)
	case !c.Finished:
		fmt.Fprintf(a.out, "whole up to seal %d; the run was cut off\n", c.Seals)
	default:
		fmt.Fprintf(a.out, "whole, with %d seal%s\n", c.Seals, map[bool]string{false: "s"}[c.Seals == 1])
	}
	if c.Manifest != "" {
		fmt.Fprintln(a.out, "manifest: sha256 "+c.Manifest)
	}
}
