package main

import (
	"fmt"

	"fourwire/record"
	"fourwire/report"
	"fourwire/sequence/run"
)

// watcher shows a run while it goes on, and its outcome at the end.
type watcher struct {
	r *oneRun
}

func newWatcher(r *oneRun, start record.Start) *watcher { return &watcher{r} }

func (w *watcher) observe(e run.Event) {
	if w.r.flags.quiet {
		return
	}
	fmt.Fprintln(w.r.app.err, e.Kind, e.Text, e.Done, e.Planned)
}

func (w *watcher) end(dir string) error {
	rec, err := record.Open(dir)
	if err != nil {
		return err
	}
	if w.r.app.json {
		doc, err := report.JSON(rec)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(w.r.app.out, "%s\n", doc)
		return err
	}
	fmt.Fprintln(w.r.app.out, rec.Manifest.Outcome)
	return nil
}
