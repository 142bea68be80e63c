package main

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"fourwire/record"
	"fourwire/report"
	"fourwire/report/html"
	"fourwire/report/junit"
	"fourwire/report/workbook"
)

func (a *app) reportCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "report RECORD",
		Short: "Make the reports of a record again",
		Long: `Makes report.html, results.xlsx and verdict.junit.xml from what the record holds; no instrument is needed. Of a record with long
traces the page can be zoomed down to single samples; what it loads for that is in the folder report beside it, which belongs to the page
when that is copied. A record of a run that was cut off is made whole first: torn lines go into files of their own, a missing manifest is put together from the log,
and what was done is said.

Exit status: 0 done, 3 this is no record.`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return a.report(args[0]) },
	}
}

func (a *app) report(dir string) error {
	if err := a.repair(dir); err != nil {
		return wrong(err)
	}
	if err := report.Build(dir, forms()...); err != nil {
		return wrong(err)
	}
	rec, err := record.Open(dir)
	if err != nil {
		return wrong(err)
	}
	for _, p := range rec.Problems {
		fmt.Fprintln(a.err, "fourwire: "+printable(p))
	}
	if a.json {
		return a.recordDocument(rec)
	}
	for _, name := range []string{"report.html", "results.xlsx", "verdict.junit.xml"} {
		fmt.Fprintln(a.out, filepath.Join(dir, name))
	}
	if info, err := os.Stat(filepath.Join(dir, report.Folder)); err == nil && info.IsDir() {
		fmt.Fprintln(a.out, filepath.Join(dir, report.Folder)+string(filepath.Separator))
	}
	return nil
}

// forms are what the reports of a record are made as.
func forms() []report.Form {
	return []report.Form{html.Form(), workbook.Form(), junit.Form()}
}
