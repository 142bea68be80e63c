package main

import (
	"errors"
	"os/exec"
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"
)

// commands are what the scripts can do beside running programs.
var commands = map[string]func(ts *testscript.TestScript, neg bool, args []string){
	"exits":    exits,
	"lines":    lines,
	"cell":     cellShows,
	"traced":   traced,
	"beaconed": beaconed,
}

// exits STATUS PROGRAM ARGUMENTS... runs a program that must end with that exit status.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits STATUS PROGRAM ARGUMENTS...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	got := 0
	var exit *exec.ExitError
	switch {
	case errors.As(err, &exit):
		got = exit.ExitCode()
	case err != nil:
		ts.Fatalf("%v", err)
	}
	if got != want {
		ts.Fatalf("exit status %d, want %d", got, want)
	}
}

// lines FILE COUNT checks how many lines a file has.
func lines(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: lines FILE COUNT")
	}
	want, err := strconv.Atoi(args[1])
	ts.Check(err)
	if got := strings.Count(ts.ReadFile(args[0]), "\n"); got != want {
		ts.Fatalf("%s has %d lines, want %d", args[0], got, want)
	}
}
