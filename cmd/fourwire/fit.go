package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// fitFlags are the options of `fit`.
type fitFlags struct {
	bench  string
	set    []string
	from   string
	tries  int
	points bool
	sites  []string
}

func (a *app) fitCommand() *cobra.Command {
	var f fitFlags
	cmd := &cobra.Command{
		Use:   "fit SEQUENCE",
		Short: "Which instrument serves which role, margins, predicted uncertainty, time; nothing is connected",
		Long: `Puts every planned point against what the instruments of a bench can do: volts, amps, watts, the load's minimum voltage,
sense compensation, burden, slew, resolution, accuracy, protection, and the current limit against what the device draws. For
each role it names the channel, the smallest margin and its arithmetic, and says why others do not serve. More than 20 % in
hand fits, less is tight, below zero does not fit. It predicts the uncertainty of what is measured and derived, whether
the limits can be decided with it, and how long the run takes.

With --from it looks for the smallest sets of instruments, among the models in a folder and those of the library, that do
the whole test, and says what each costs in uncertainty and time. There may be as many pieces of a model as are needed.

Exit status: 0 it fits (tight included), 3 the input is wrong, 4 it does not fit.`,
		Example: `  fourwire fit efficiency.yaml --bench lab.yaml
  fourwire fit efficiency.yaml --from models/`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return a.fit(args[0], f) },
	}
	cmd.Flags().StringVar(&f.bench, "bench", "", "bench file; the one that the sequence names if left out")
	cmd.Flags().StringArrayVar(&f.set, "set", nil, "set a parameter: name=value")
	cmd.Flags().StringVar(&f.from, "from", "", "folder of model files: look for sets of instruments that do the test")
	cmd.Flags().IntVar(&f.tries, "tries", plan.DefaultTries, "with --from: how many sets are tried at most")
	cmd.Flags().StringArrayVar(&f.sites, "site", nil, siteAbout)
	cmd.Flags().BoolVar(&f.points, "points", false, "print the prediction for every planned point")
	return cmd
}

func (a *app) fit(path string, f fitFlags) error {
	seq, input, err := loadSequence(path, f.set)
	if err != nil {
		return err
	}
	if f.from != "" && f.bench == "" && seq.Bench == "" {
		return a.search(seq, &bench.Bench{}, nil, f)
	}
	tb, _, err := benchFor(seq, path, f.bench)
	if err != nil {
		return err
	}
	if f.from != "" {
		return a.search(seq, tb.bench, tb.models, f)
	}
	sites, err := chooseSites(tb, f.sites)
	if err != nil {
		return err
	}
	if len(sites) > 1 {
		return a.fitSites(path, f, tb, sites)
	}
	if len(sites) == 1 {
		if tb, err = tb.forSite(sites[0], sites); err != nil {
			return err
		}
	}
	return a.fitOne(path, f, seq, input, tb)
}

// fitSites fits several sites that run at the same time.
func (a *app) fitSites(path string, f fitFlags, tb *testBench, sites []string) error {
	var all []error
	documents := map[string]json.RawMessage{}
	for _, site := range sites {
		seq, input, err := loadSequence(path, f.set)
		if err != nil {
			return err
		}
		view, err := tb.forSite(site, sites)
		if err != nil {
			return err
		}
		one := *a
		var document bytes.Buffer
		if a.json {
			one.out = &document
		} else {
			fmt.Fprintf(a.out, "site %s\n", site)
		}
		if err := one.fitOne(path, f, seq, input, view); err != nil {
			all = append(all, fmt.Errorf("%s: %w", site, err))
		}
		documents[site] = document.Bytes()
	}
	if a.json {
		if err := a.document(map[string]any{"sites": documents}); err != nil {
			return err
		}
	}
	if len(all) > 0 {
		return all[0]
	}
	return nil
}

func (a *app) fitOne(path string, f fitFlags, seq *sequence.Sequence, input inputFile, tb *testBench) error {
	var found diag.Findings
	found.Source(seq.File, input.Data)
	for _, in := range tb.inputs {
		found.Source(in.Path, in.Data)
	}
	_, files := stepFiles(seq, path, &found)
	p := plan.BindWith(seq, tb.bench, tb.models, plan.Options{Files: files}, &found)
	if a.json {
		if !f.points {
			p.Fit.Forecast, p.Fit.Cut = nil, false
		}
		if err := a.document(p.Fit); err != nil {
			return err
		}
	} else {
		if f.points {
			fmt.Fprint(a.out, printable(p.Fit.PointsText()))
		}
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

// search looks for sets of instruments among the models of a folder, of the bench and of the library.
func (a *app) search(seq *sequence.Sequence, like *bench.Bench, used map[string]*model.Model, f fitFlags) error {
	var found diag.Findings
	models, err := modelsFrom(f.from, used, &found)
	if err != nil {
		return wrong(err)
	}
	if found.Failed() {
		return &failure{status: exitInput, findings: found.List()}
	}
	sets := plan.Search(seq, like, models, f.tries)
	if a.json {
		if err := a.document(sets); err != nil {
			return err
		}
	} else {
		fmt.Fprint(a.out, printable(sets.Text()))
	}
	if len(sets.Sets) == 0 {
		return &failure{status: exitBench, err: errors.New("none of these models do the whole test together")}
	}
	return nil
}

// modelsFrom reads the model files of a folder, in alphabetical order, then takes those of the bench and of the library whose
// names are not taken yet.
func modelsFrom(dir string, used map[string]*model.Model, found *diag.Findings) ([]*model.Model, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		var p *os.PathError
		if errors.As(err, &p) {
			return nil, fmt.Errorf("%s: %w", dir, p.Err)
		}
		return nil, err
	}
	var out []*model.Model
	add := func(m *model.Model) {
		if m != nil && !slices.ContainsFunc(out, func(o *model.Model) bool { return o.Name == m.Name }) {
			out = append(out, m)
		}
	}
	for _, e := range entries {
		if e.IsDir() || !strings.HasSuffix(e.Name(), ".yaml") {
			continue
		}
		path := filepath.Join(dir, e.Name())
		data, err := readFile(path)
		if err != nil {
			return nil, err
		}
		if fileKind(data) == "model" {
			add(model.Read(path, data, found))
		}
	}
	var names []string
	for name := range used {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		add(used[name])
	}
	for _, name := range model.Library() {
		if data, ok := model.FromLibrary(name); ok {
			add(model.Read(name+".yaml", data, found))
		}
	}
	return out, nil
}
