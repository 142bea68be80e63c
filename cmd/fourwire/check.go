package main

import (
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sequence/battery"
	"fourwire/sequence/plan"
	"fourwire/sim"
)

func (a *app) checkCommand() *cobra.Command {
	var set, sites []string
	cmd := &cobra.Command{
		Use:   "check FILE...",
		Short: "Read and check sequences, benches, models, scenarios and battery files; nothing is connected",
		Long: `Reads the files and says what is wrong with them, all of it in one go: place, line, fault, nearest word.
A sequence that names its bench is also bound to it. Nothing is connected.

Exit status: 0 all fine (warnings included), 3 something is wrong.`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, files []string) error { return a.check(files, set, sites) },
	}
	cmd.Flags().StringArrayVar(&set, "set", nil, "set a parameter of the sequences: name=value")
	cmd.Flags().StringArrayVar(&sites, "site", nil, siteAbout+"; every one if left out")
	return cmd
}

// checked is what `check --json` says of one file.
type checked struct {
	File     string         `json:"file"`
	Kind     string         `json:"kind"`
	Points   int            `json:"points,omitempty"`
	OK       bool           `json:"ok"`
	Findings []diag.Finding `json:"findings"`
}

func (a *app) check(files, set, sites []string) error {
	var results []checked
	var bad []diag.Finding
	var broken error
	for _, file := range files {
		r, err := checkFile(file, set, sites)
		if err != nil {
			broken = err
			r.Findings = append(r.Findings, diag.Finding{Place: diag.Place{File: file}, Text: err.Error()})
		}
		r.OK = !diag.Failed(r.Findings)
		bad = append(bad, r.Findings...)
		results = append(results, r)
		if a.json {
			continue
		}
		if !r.OK {
			continue
		}
		switch {
		case r.Kind == "sequence" && r.Points > 0:
			fmt.Fprintf(a.out, "%s: sequence, %d points, fine\n", file, r.Points)
		default:
			fmt.Fprintf(a.out, "%s: %s, fine\n", file, r.Kind)
		}
	}
	if a.json {
		if err := a.document(results); err != nil {
			return err
		}
	}
	if diag.Failed(bad) {
		if a.json {
			return &failure{status: exitInput, err: fmt.Errorf("%s", count(bad))}
		}
		f := &failure{status: exitInput, findings: bad, err: fmt.Errorf("%s", count(bad))}
		if len(files) == 1 && broken != nil {
			return wrong(broken)
		}
		return f
	}
	if !a.json {
		for _, w := range bad {
			fmt.Fprintln(a.err, w.Render())
		}
	}
	return nil
}

// count says how much was found, in words.
func count(found []diag.Finding) string {
	faults, warnings := 0, 0
	for _, f := range found {
		if f.Warning {
			warnings++
		} else {
			faults++
		}
	}
	text := fmt.Sprintf("%d faults", faults)
	if faults == 1 {
		text = "1 fault"
	}
	switch warnings {
	case 0:
	case 1:
		text += ", 1 warning"
	default:
		text += fmt.Sprintf(", %d warnings", warnings)
	}
	return text
}

func checkFile(file string, set, sites []string) (checked, error) {
	r := checked{File: file, Findings: []diag.Finding{}}
	data, err := readFile(file)
	if err != nil {
		return r, err
	}
	var found diag.Findings
	r.Kind = fileKind(data)
	switch r.Kind {
	case "sequence":
		seq, _, err := loadSequence(file, set)
		if err != nil {
			return r.with(err)
		}
		r.Points = seq.CountPoints()
		_, files := stepFiles(seq, file, &found)
		if seq.Bench == "" || found.Failed() {
			break
		}
		tb, warnings, err := benchFor(seq, file, "")
		if err != nil {
			return r.with(err)
		}
		found.Join(warnings)
		found.Source(file, data)
		views, err := checkedSites(tb, sites)
		if err != nil {
			return r.with(err)
		}
		for _, view := range views {
			plan.BindWith(seq, view.bench, view.models, plan.Options{Files: files}, &found)
		}
	case "bench":
		if _, err := loadBench(file, &found); err != nil {
			return r, err
		}
	case "model":
		model.Read(file, data, &found)
	case "scenario":
		sim.Read(file, data, &found)
	case "battery":
		battery.Read(file, data, &found)
	default:
		found.Source(file, data)
		found.AddHint(diag.Place{File: file, Line: 1, Column: 1}, "the first line is, for a sequence, fourwire: sequence/1; also bench/1, model/1, scenario/1, battery/1",
			"%s does not say what kind of file it is", filepath.Base(file))
	}
	r.Findings = append(r.Findings, found.List()...)
	return r, nil
}

// with takes the findings out of a failure; another error stays one.
func (r checked) with(err error) (checked, error) {
	if f, ok := err.(*failure); ok && f.findings != nil {
		r.Findings = append(r.Findings, f.findings...)
		return r, nil
	}
	return r, err
}
