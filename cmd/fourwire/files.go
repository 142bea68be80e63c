package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sequence"
	"fourwire/sim"
)

// inputFile is a file that a run uses, kept exactly as read.
type inputFile struct {
	Name string // as it goes into the record: its base name
	Path string
	Data []byte
}

// readFile reads a file that somebody wrote, of bounded size.
func readFile(path string) ([]byte, error) {
	data, err := readUpTo(path, diag.MaxFileBytes+1)
	if err == nil && len(data) > diag.MaxFileBytes {
		return nil, fmt.Errorf("%s is larger than %d bytes", path, diag.MaxFileBytes)
	}
	return data, err
}

// readUpTo reads the first bytes of a file.
func readUpTo(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		var p *os.PathError
		if errors.As(err, &p) {
			return nil, fmt.Errorf("%s: %w", path, p.Err)
		}
		return nil, err
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return nil, fmt.Errorf("%s is a folder; a file is wanted here", path)
	}
	data, err := io.ReadAll(io.LimitReader(f, most))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return data, nil
}

// beside resolves a name that a file gives for another file: it must stay inside the folder of the first.
func beside(file, name string) (string, error) {
	if !filepath.IsLocal(filepath.FromSlash(name)) {
		return "", fmt.Errorf("%q lies outside the folder of %s; files name only files beside or below them", name, filepath.Base(file))
	}
	return filepath.Join(filepath.Dir(file), filepath.FromSlash(name)), nil
}

// fileKind is the word in the first line of a file: "sequence" of `fourwire: sequence/1`; empty where there is none.
func fileKind(data []byte) string {
	for _, line := range bytes.Split(data, []byte("\n")) {
		text := strings.TrimSpace(string(line))
		if text == "" || strings.HasPrefix(text, "#") || text == "---" {
			continue
		}
		rest, ok := strings.CutPrefix(text, "fourwire:")
		if !ok {
			return ""
		}
		kind, _, _ := strings.Cut(strings.Trim(strings.TrimSpace(rest), `"'`), "/")
		return kind
	}
	return ""
}

// testBench is a bench file with all that belongs to it.
type testBench struct {
	path      string
	bench     *bench.Bench
	models    map[string]*model.Model // by instrument
	scenario  *sim.Scenario           // nil unless the bench names one
	inputs    []inputFile
	simulated bool // every address is sim:, so that the bench lives in this process
}

// loadBench reads a bench file, the models that it names and its scenario.
func loadBench(path string, found *diag.Findings) (*testBench, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, err
	}
	tb := &testBench{path: path, models: map[string]*model.Model{}, inputs: []inputFile{{filepath.Base(path), path, data}}}
	tb.bench = bench.Read(path, data, found)
	if tb.bench == nil || found.Failed() {
		return nil, nil
	}
	byName := map[string]*model.Model{}
	for _, in := range tb.bench.Instruments {
		m, ok := byName[in.Model]
		if !ok {
			m = tb.loadModel(in, found)
			byName[in.Model] = m
		}
		if m != nil {
			tb.models[in.Name] = m
		}
	}
	if tb.bench.Simulate != "" {
		if err := tb.loadScenario(found); err != nil {
			return nil, err
		}
	}
	if found.Failed() {
		return nil, nil
	}
	bench.CheckModels(tb.bench, tb.models, found)
	if err := tb.where(found); err != nil || found.Failed() {
		return nil, err
	}
	return tb, nil
}

func (tb *testBench) loadModel(in bench.Instrument, found *diag.Findings) *model.Model {
	if data, ok := model.FromLibrary(in.Model); ok {
		tb.inputs = append(tb.inputs, inputFile{in.Model + ".model.yaml", "", data})
		return model.Read(in.Model+".model.yaml", data, found)
	}
	if !strings.ContainsAny(in.Model, "./") {
		found.AddHint(in.Place, diag.Suggest(in.Model, model.Library())+"; a model file of your own is named by its path, as in ./"+in.Model+".model.yaml",
			"the library has no model %q", in.Model)
		return nil
	}
	path, err := beside(tb.path, in.Model)
	if err != nil {
		found.Add(in.Place, "%s", err)
		return nil
	}
	data, err := readFile(path)
	if err != nil {
		found.Add(in.Place, "the model file cannot be read: %s", err)
		return nil
	}
	tb.inputs = append(tb.inputs, inputFile{filepath.Base(path), path, data})
	return model.Read(path, data, found)
}

func (tb *testBench) loadScenario(found *diag.Findings) error {
	path, err := beside(tb.path, tb.bench.Simulate)
	if err != nil {
		return err
	}
	data, err := readFile(path)
	if err != nil {
		return fmt.Errorf("the scenario of %s cannot be read: %w", filepath.Base(tb.path), err)
	}
	tb.scenario = sim.Read(path, data, found)
	tb.inputs = append(tb.inputs, inputFile{filepath.Base(path), path, data})
	return nil
}

// where finds out whether the bench lives in this process; it cannot be half of each, since there is one clock.
func (tb *testBench) where(found *diag.Findings) error {
	var simulated, real []bench.Instrument
	for _, in := range tb.bench.Instruments {
		if strings.HasPrefix(in.Address, "sim:") {
			simulated = append(simulated, in)
		} else {
			real = append(real, in)
		}
	}
	if len(simulated) > 0 && len(real) > 0 {
		found.AddHint(simulated[0].Place, `serve the simulated ones on sockets with "fourwire sim" and give their tcp:// addresses`,
			"%s is simulated in this process, %s is not: one bench has one clock", simulated[0].Name, real[0].Name)
		return nil
	}
	tb.simulated = len(simulated) > 0
	if tb.simulated && tb.scenario == nil {
		found.AddHint(simulated[0].Place, "add simulate: and the name of a scenario file", "%s has a sim: address, but the bench names no scenario", simulated[0].Name)
	}
	return nil
}

// loadSequence reads a sequence and, unless benchPath is given, the bench that it names.
func loadSequence(path string, set []string) (*sequence.Sequence, inputFile, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, inputFile{}, wrong(err)
	}
	input := inputFile{filepath.Base(path), path, data}
	if kind := fileKind(data); slices.Contains([]string{"bench", "model", "scenario", "battery"}, kind) {
		return nil, input, &failure{status: exitInput, err: fmt.Errorf("%s is a %s; a sequence is wanted here", path, kind), hint: "a bench is given with --bench FILE"}
	}
	settings := make([]sequence.Setting, 0, len(set))
	for _, s := range set {
		name, value, ok := strings.Cut(s, "=")
		if !ok || strings.TrimSpace(name) == "" {
			return nil, input, &failure{status: exitInput, err: fmt.Errorf("--set %q: write name=value, as in --set vin=\"12 V\"", s)}
		}
		settings = append(settings, sequence.Setting{Name: strings.TrimSpace(name), Value: strings.TrimSpace(value)})
	}
	var found diag.Findings
	seq := sequence.Read(path, data, settings, &found)
	if found.Failed() || seq == nil {
		return nil, input, &failure{status: exitInput, findings: found.List()}
	}
	return seq, input, nil
}

// benchFor finds the bench of a sequence: the one asked for, else the one it names.
func benchFor(seq *sequence.Sequence, seqPath, asked string) (*testBench, []diag.Finding, error) {
	path := asked
	if path == "" {
		if seq.Bench == "" {
			return nil, nil, &failure{status: exitInput, err: fmt.Errorf("%s names no bench", seqPath), hint: "give one with --bench FILE, or write bench: FILE into the sequence"}
		}
		var err error
		if path, err = beside(seqPath, seq.Bench); err != nil {
			return nil, nil, wrong(err)
		}
	}
	var found diag.Findings
	tb, err := loadBench(path, &found)
	if err != nil {
		return nil, nil, wrong(err)
	}
	if tb == nil || found.Failed() {
		return nil, nil, &failure{status: exitInput, findings: found.List()}
	}
	return tb, found.List(), nil
}

// stepFiles reads the files that the steps of a sequence name, from beside it; one that cannot be read is a finding at its place.
func stepFiles(seq *sequence.Sequence, seqPath string, found *diag.Findings) (inputs []inputFile, data map[string][]byte) {
	data = map[string][]byte{}
	for _, f := range seq.Files {
		path, err := beside(seqPath, f.Name)
		if err != nil {
			found.Add(f.Place, "%s", err)
			continue
		}
		if _, known := data[f.Name]; known {
			continue
		}
		text, err := readFile(path)
		if err != nil {
			found.Add(f.Place, "the %s file cannot be read: %s", f.Kind, err)
			continue
		}
		inputs, data[f.Name] = append(inputs, inputFile{filepath.Base(path), path, text}), text
	}
	return inputs, data
}
