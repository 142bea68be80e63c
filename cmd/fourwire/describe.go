package main

import (
	"path/filepath"
	"strings"

	"fourwire/quantity"
	"fourwire/record"
	"fourwire/sequence/plan"
)

// startOf is what the record says of a run before it begins.
func startOf(r *oneRun) record.Start {
	b := r.bench.bench
	s := record.Start{
		Tool: "fourwire " + version, Title: r.seq.Title, About: r.seq.About, Sequence: filepath.Base(r.path),
		Device: r.device, Operator: strings.TrimSpace(r.flags.operator), Job: r.flags.job,
		Seed: r.opened.seed, Simulated: r.bench.simulated, Planned: r.plan.Points, Clock: r.opened.clock, Ledger: r.opened.ledger,
		Settings: r.flags.set, Paths: record.Paths{Sequence: absolute(r.path), Bench: absolute(r.flags.bench)},
		Bench: record.Bench{File: filepath.Base(r.bench.path), Title: b.Title, AmbientKelvin: b.AmbientKelvin},
		Site:  b.View.Site, Together: b.View.Others,
	}
	if s.Site != "" {
		s.Bench.Title = strings.TrimPrefix(b.Title+", site "+s.Site, ", ")
	}
	for _, w := range b.Wiring {
		s.Wiring = append(s.Wiring, record.Wire{Channel: plan.Channel{Instrument: w.Instrument, Number: w.Channel}.String(), Node: w.Node,
			As: string(w.As), Sense: string(w.Sense), LeadOhm: w.LeadOhm})
	}
	set := map[string]bool{}
	for _, given := range r.flags.set {
		for i, c := range given {
			if c == '=' {
				set[given[:i]] = true
				break
			}
		}
	}
	for _, p := range r.seq.Params {
		one := record.Param{Name: p.Name, About: p.About, Set: set[p.Name]}
		for _, v := range p.Values.List {
			one.Values = append(one.Values, v.String())
		}
		s.Params = append(s.Params, one)
	}
	for _, g := range r.seq.Guards {
		s.Guards = append(s.Guards, record.Guard{Node: g.Node, Volts: spanText(g.Volts), Amps: spanText(g.Amps), Watts: spanText(g.Watts)})
	}
	for _, c := range r.seq.Curves {
		s.Curves = append(s.Curves, record.Curve{X: c.X, Y: c.Y, Per: c.Per, LogX: c.LogX, LogY: c.LogY, Title: c.Title})
	}
	return s
}

func spanText(s quantity.Span) string {
	if !s.Set {
		return ""
	}
	return s.String()
}

// columnsOf turns the plan's columns into the record's.
func columnsOf(p *plan.Plan) []record.Column {
	var out []record.Column
	for _, c := range p.Columns {
		out = append(out, record.Column{Name: c.Name, Kind: record.ColumnKind(c.Kind), Dim: c.Dim, Expr: c.Expr, Node: c.Node, From: c.From})
	}
	return out
}
