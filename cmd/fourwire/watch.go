package main

import (
	"fmt"
	"os"

	"fourwire/record"
	"fourwire/report"
	"fourwire/report/terminal"
	"fourwire/sequence/run"
)

// watcher shows a run while it goes on, and its outcome at the end.
type watcher struct {
	app  *app
	view *terminal.View
}

func newWatcher(r *oneRun, start record.Start) *watcher {
	w := &watcher{app: r.app}
	o := terminal.Options{Progress: terminal.Detect(r.app.err, os.Getenv), Results: terminal.Detect(r.app.out, os.Getenv)}
	if r.flags.quiet {
		o.Progress = terminal.Stream{}
	}
	w.view = terminal.New(o)
	w.view.Start(start, columnsOf(r.plan), r.plan.Points)
	return w
}

func (w *watcher) observe(e run.Event) {
	switch {
	case e.Point != nil:
		w.view.Point(*e.Point)
	case e.Verdict != nil:
		w.view.Verdict(*e.Verdict)
	case e.Kind == "recording":
		w.view.Progress(e.Text, e.Part)
	case e.Result != nil: // told at the end, with the verdicts
	case e.Text != "" && (e.Level != "info" || notable[e.Kind]):
		w.view.Note(e.Level, e.Text)
	}
}

// notable are the kinds of event that are worth a line while a run goes on.
var notable = map[string]bool{"note": true, "safe": true, "coverage": true, "recorded": true, "drain": true, "life": true, "emulation": true, "emulated": true, "profile": true, "rails": true}

// end says how the run ended and where its record is.
func (w *watcher) end(dir string) error {
	rec, err := record.Open(dir)
	if err != nil {
		w.view.End(nil)
		return err
	}
	if w.app.json {
		w.view.End(nil)
		return w.app.recordDocument(rec)
	}
	w.view.End(report.New(rec))
	fmt.Fprintf(w.app.out, "record: %s\n", dir)
	return nil
}

// recordDocument prints the JSON document of a record.
func (a *app) recordDocument(rec *record.Record) error {
	doc, err := report.JSON(rec)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(a.out, "%s\n", doc)
	return err
}
