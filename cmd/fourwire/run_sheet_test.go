package main

import (
	"regexp"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/xuri/excelize/v2"
)

// cell FILE TAB ADDRESS PATTERN looks into a workbook.
func cellShows(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 4 {
		ts.Fatalf("usage: cell FILE TAB ADDRESS PATTERN")
	}
	f, err := excelize.OpenFile(ts.MkAbs(args[0]))
	ts.Check(err)
	defer f.Close()
	got, err := f.GetCellValue(args[1], args[2])
	ts.Check(err)
	if regexp.MustCompile(args[3]).MatchString(got) == neg {
		ts.Fatalf("%s!%s shows %q", args[1], args[2], got)
	}
}
