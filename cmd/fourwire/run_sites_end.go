package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"fourwire/driver/hazard"
	"fourwire/driver/ieee488"
	"fourwire/internal/diag"
	"fourwire/record"
	"fourwire/report"
	"fourwire/sequence/run"
	"fourwire/transport"
)

// endsAll says why the end of one site is the end of all of them; nil where the others go on.
func (s *siteRuns) endsAll(r *siteRun) error {
	if r.err == nil {
		return nil
	}
	var live *run.NotSafe
	var stop *run.Stop
	lost := errors.Is(r.err, ieee488.ErrRestarted) || errors.Is(r.err, transport.ErrLost)
	switch {
	case errors.As(r.err, &live):
		return &run.Elsewhere{Kind: run.Safety, Err: fmt.Errorf("an output of %s may still be on", r.site)}
	case errors.As(r.err, &stop) && stop.Kind == run.Fault:
		return &run.Elsewhere{Kind: run.Fault, Err: fmt.Errorf("the run of %s has met a fault of the program", r.site)}
	case errors.As(r.err, &stop) && stop.Kind == run.Safety && hazard.Gravest(cautionsFor(r.bench, r.seq)) >= hazard.Caution:
		return &run.Elsewhere{Kind: run.Safety, Err: fmt.Errorf("the run of %s was stopped for safety, and what stands there can hurt somebody", r.site)}
	case lost:
		for _, name := range r.bench.bench.View.Shared {
			if strings.Contains(r.err.Error(), name) {
				return &run.Elsewhere{Kind: run.Bench, Err: fmt.Errorf("%s, which the sites share, is lost or has restarted", name)}
			}
		}
	}
	return nil
}

// siteDocument is what `run --json` says of one site.
type siteDocument struct {
	Site   string          `json:"site"`
	Exit   int             `json:"exit"`
	Record string          `json:"record"`
	Result json.RawMessage `json:"result,omitempty"`
}

// finish closes the records, makes the reports, says how each site ended, and gives the gravest of all as one failure.
func (s *siteRuns) finish() error {
	var statuses []int
	var texts, hints []string
	var findings []diag.Finding
	var documents []siteDocument
	for _, r := range s.runs {
		if !s.app.json {
			fmt.Fprintf(s.app.out, "site %s\n", r.site)
		}
		err := r.oneRun.finish(r.summary, r.err)
		var f *failure
		if errors.As(err, &f) {
			r.status = f.status
			if f.err != nil && !slices.Contains(texts, f.err.Error()) {
				texts = append(texts, r.site+": "+f.err.Error())
			}
			if f.hint != "" && !slices.Contains(hints, f.hint) {
				hints = append(hints, f.hint)
			}
			findings = append(findings, f.findings...)
		}
		statuses = append(statuses, r.status)
		one := siteDocument{Site: r.site, Exit: r.status, Record: r.writer.Dir()}
		if rec, err := record.Open(r.writer.Dir()); err == nil && s.app.json {
			one.Result, _ = report.JSON(rec)
		}
		documents = append(documents, one)
	}
	if s.app.json {
		if err := s.app.document(map[string]any{"sites": documents}); err != nil {
			return err
		}
	}
	status := gravest(statuses...)
	if status == exitPass {
		return nil
	}
	out := &failure{status: status, findings: findings, hint: strings.Join(hints, "\n")}
	if len(texts) > 0 {
		out.err = errors.New(strings.Join(texts, "\n"))
	}
	return out
}
