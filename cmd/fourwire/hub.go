package main

import (
	"context"
	"errors"
	"path/filepath"

	"fourwire/daemon"
	"fourwire/daemon/api"
	"fourwire/driver/guardian"
	"fourwire/internal/diag"
	"fourwire/sequence"
)

// hubDesk is what stands in for a bench at a hub: it reads sequences, and leaves it to the benches of the lab whether they serve them.
type hubDesk struct{ name string }

// Description says that there is nothing.
func (h hubDesk) Description() daemon.Description {
	return daemon.Description{Name: h.name, Title: "hub of the lab"}
}

// Check reads a sequence.
func (h hubDesk) Check(o daemon.Order, text []byte, file func(string) ([]byte, error)) daemon.Checked {
	var found diag.Findings
	_, out := readOrder(o, text, file, &found)
	return out
}

// Probe has nothing to ask.
func (h hubDesk) Probe(context.Context, string) daemon.Probed {
	return daemon.Probed{Err: errors.New("a hub has no instruments")}
}

// Arguments are of no run.
func (h hubDesk) Arguments(daemon.Order, string, string, bool) []string { return nil }

// Guard has nothing to switch off.
func (h hubDesk) Guard() (guardian.Orders, guardian.Config) {
	return guardian.Orders{}, guardian.Config{}
}

// readOrder reads the sequence of an order and the files that it names. The sequence is nil where something is wrong with them.
func readOrder(o daemon.Order, text []byte, file func(string) ([]byte, error), found *diag.Findings) (*sequence.Sequence, daemon.Checked) {
	var out daemon.Checked
	found.Source(o.Sequence, text)
	seq := sequence.Read(o.Sequence, text, settingsOf(o.Settings), found)
	if seq == nil || found.Failed() {
		out.Failed, out.Wrong, out.Findings = true, true, findingsOf(found.List())
		return nil, out
	}
	out.Title, out.About = seq.Title, seq.About
	for _, p := range seq.Params {
		one := api.Param{Name: p.Name, About: p.About, Values: []string{}}
		for i, v := range p.Values.List {
			if i == 1000 {
				break
			}
			one.Values = append(one.Values, v.String())
		}
		out.Params = append(out.Params, one)
	}
	for _, n := range seq.Needs {
		out.Needs = append(out.Needs, api.Need{Name: n.Name, Role: string(n.Role), Node: n.Node, Volts: spanText(n.Volts), Amps: spanText(n.Amps)})
	}
	out.Files = map[string][]byte{}
	for _, f := range seq.Files {
		if !filepath.IsLocal(filepath.FromSlash(f.Name)) {
			found.Add(f.Place, "%q lies outside the folder of the sequence", f.Name)
			continue
		}
		data, err := file(f.Name)
		if err != nil {
			found.Add(f.Place, "the %s file cannot be read: %s", f.Kind, err)
			continue
		}
		out.Files[f.Name] = data
	}
	if found.Failed() {
		out.Failed, out.Wrong, out.Findings = true, true, findingsOf(found.List())
		return nil, out
	}
	return seq, out
}
