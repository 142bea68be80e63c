package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"fourwire/internal/clock"
	"fourwire/record"
	"fourwire/sequence/run"
)

// earlier is a run that goes on.
type earlier struct {
	dir       string
	rec       *record.Record
	continued *record.Continued
}

// recallFlags takes from a record what its run was started with: sequence, bench, parameters and seed. What is given once more must be the same.
func recallFlags(path string, f *runFlags, seeded bool) (string, *earlier, error) {
	if f.out != "" {
		return "", nil, wrong(errors.New("--out and --resume exclude each other: a run goes on in its own record"))
	}
	rec, err := record.Open(f.resume)
	if err != nil {
		return "", nil, wrong(err)
	}
	if record.InUse(f.resume) {
		return "", nil, notRight(fmt.Errorf("%s: %w", f.resume, record.ErrBusy), "wait until it is done, or end it with Ctrl-C")
	}
	if rec.Finished && rec.Reason == "" {
		return "", nil, &failure{status: exitInput, err: fmt.Errorf("the run of %s came to its end", f.resume), hint: "there is nothing to go on with; run the sequence anew"}
	}
	if path == "" {
		path = rec.Paths.Sequence
	}
	if path == "" {
		return "", nil, &failure{status: exitInput, err: fmt.Errorf("%s does not say where its sequence was", f.resume), hint: "name it: fourwire run SEQUENCE --resume " + f.resume}
	}
	if f.bench == "" {
		f.bench = rec.Paths.Bench
	}
	if len(f.set) == 0 {
		f.set = rec.Settings
	}
	if rec.Site != "" && len(f.sites) == 0 {
		f.sites = []string{rec.Site}
	}
	if rec.Site != "" && !slices.Equal(f.sites, []string{rec.Site}) {
		return "", nil, wrong(fmt.Errorf("the site differs: the run was started at %s", rec.Site))
	}
	if !slices.Equal(f.set, rec.Settings) {
		return "", nil, wrong(fmt.Errorf("the parameters differ: the run was started with %s, this says %s", settings(rec.Settings), settings(f.set)))
	}
	if rec.Seed != nil {
		if seeded && f.seed != *rec.Seed {
			return "", nil, wrong(fmt.Errorf("the seed differs: the run was started with %d, this says %d", *rec.Seed, f.seed))
		}
		f.seed = *rec.Seed
	}
	return path, &earlier{dir: f.resume, rec: rec}, nil
}

func settings(list []string) string {
	if len(list) == 0 {
		return "no --set"
	}
	return "--set " + strings.Join(list, " --set ")
}

// sameInputs refuses files that are not those of the run.
func (e *earlier) sameInputs(inputs []inputFile) error {
	folder, err := os.OpenRoot(filepath.Join(e.dir, record.InputsFolder))
	if err != nil {
		return fmt.Errorf("the record has no inputs to compare with: %w", err)
	}
	defer folder.Close()
	entries, err := os.ReadDir(folder.Name())
	if err != nil {
		return fmt.Errorf("the inputs of the record cannot be read: %w", err)
	}
	unused := map[string][]byte{}
	for _, one := range entries {
		if !one.Type().IsRegular() {
			return fmt.Errorf("%s of the record is no regular file", one.Name())
		}
		data, err := folder.ReadFile(one.Name())
		if err != nil {
			return fmt.Errorf("the inputs of the record cannot be read: %w", err)
		}
		unused[one.Name()] = data
	}
	for _, in := range inputs {
		found := false
		for name, data := range unused {
			if bytes.Equal(data, in.Data) && (name == in.Name || strings.HasPrefix(name, strings.TrimSuffix(in.Name, filepath.Ext(in.Name)))) {
				found = true
				delete(unused, name)
				break
			}
		}
		if !found && !seenBefore(inputs, in) {
			return fmt.Errorf("%s differs from the one that the run was started with, %s", in.path(), filepath.Join(e.dir, record.InputsFolder, in.Name))
		}
	}
	for name := range unused {
		return fmt.Errorf("%s was used by the run and is not any more", name)
	}
	return nil
}

// seenBefore tells whether a file of the same name and content comes earlier: the record keeps one of them.
func seenBefore(inputs []inputFile, in inputFile) bool {
	n := 0
	for _, other := range inputs {
		if other.Name == in.Name && bytes.Equal(other.Data, in.Data) {
			n++
		}
	}
	return n > 1
}

func (in inputFile) path() string {
	if in.Path == "" {
		return in.Name + " of the library"
	}
	return in.Path
}

// later is when a simulated bench is switched on to go on: an hour after the run ended.
func (e *earlier) later() time.Time {
	if e == nil {
		return time.Time{}
	}
	end := e.rec.Ended
	if n := len(e.rec.Log); n > 0 && e.rec.Log[n-1].Time.After(end) {
		end = e.rec.Log[n-1].Time
	}
	return end.Add(time.Hour)
}

// goOn opens the record of the run to append to it.
func (r *oneRun) goOn() error {
	w, on, err := record.Resume(r.earlier.dir, "fourwire "+version, r.opened.clock, r.opened.ledger)
	if errors.Is(err, record.ErrBusy) {
		return notRight(err, "")
	}
	if err != nil {
		return wrong(err)
	}
	r.writer, r.earlier.continued = w, on
	for _, text := range on.Cut {
		fmt.Fprintln(r.app.err, "fourwire: cut off and kept beside its file: "+printable(text))
	}
	if tool := r.earlier.rec.Tool; tool != "fourwire "+version {
		fmt.Fprintf(r.app.err, "fourwire: the run was started by %s, this is fourwire %s\n", printable(tool), version)
	}
	r.watch = newWatcher(r, r.earlier.rec.Start)
	return nil
}

// resumed is what the runner is told of the points that are there; nil for a run that begins.
func (r *oneRun) resumed() (*run.Resume, error) {
	if r.earlier == nil {
		return nil, nil
	}
	terms, err := record.ReadTerms(r.earlier.dir)
	if err != nil {
		return nil, err
	}
	on := r.earlier.continued
	return &run.Resume{Started: r.earlier.rec.Started, Rows: on.Rows, Held: on.Held, Verdicts: on.Verdicts, Log: on.Log, Terms: terms}, nil
}

// bytesPerPoint is about what a point takes in a record: its row, its error terms and their budgets, and the messages it took.
const bytesPerPoint = 32 << 10

// warnOfSpace tells when the disk of a record may not hold it.
func (r *oneRun) warnOfSpace(dir string) {
	free, ok := record.FreeBytes(dir)
	want := int64(r.plan.Points)*bytesPerPoint + 16<<20
	if ok && free < want {
		fmt.Fprintf(r.app.err, "fourwire: the disk of %s has %d MB left; a record of %d points takes about %d MB\n", dir, free>>20, r.plan.Points, want>>20)
	}
}

func absolute(path string) string {
	if path == "" {
		return ""
	}
	if full, err := filepath.Abs(path); err == nil {
		return full
	}
	return path
}

// repair makes a record whole that was cut off, and tells what was done.
func (a *app) repair(dir string) error {
	done, err := record.Repair(dir, "fourwire "+version, clock.Real().Now())
	for _, text := range done {
		fmt.Fprintln(a.err, "fourwire: "+printable(text))
	}
	if errors.Is(err, record.ErrBusy) {
		fmt.Fprintln(a.err, "fourwire: "+printable(err.Error())+"; the reports show what is there so far")
		return nil
	}
	return err
}
