package report

import (
	"encoding/json"
	"math"
	"strings"

	"fourwire/record"
)

// document is what scripts get; its fields are a contract.
type document struct {
	Format     string            `json:"fourwire"`
	Record     string            `json:"record"`
	ID         string            `json:"id"`
	Title      string            `json:"title"`
	Outcome    record.Outcome    `json:"outcome"`
	Headline   string            `json:"headline"`
	Exit       int               `json:"exit"`
	Reason     string            `json:"reason,omitempty"`
	Finished   bool              `json:"finished"`
	Started    string            `json:"started,omitempty"`
	Seconds    float64           `json:"duration_s"`
	Points     int               `json:"points"`
	Counts     record.Counts     `json:"verdict_counts"`
	Limits     []limitDocument   `json:"limits"`
	Verdicts   []record.Verdict  `json:"verdicts"`
	Results    []record.Result   `json:"results"`
	Traces     []traceDocument   `json:"traces"`
	Lives      []lifeDocument    `json:"lives"`
	Captures   []captureDocument `json:"captures"`
	Supplies   []supplyDocument  `json:"supplies"`
	Rails      []record.Rails    `json:"rails"`
	Fits       []fitDocument     `json:"fits"`
	Sweeps     []steppedDocument `json:"sweeps"`
	Time       *timeDocument     `json:"time,omitempty"`
	Problems   []string          `json:"problems"`
	ReportFile map[string]bool   `json:"reports"` // file name → is in the record
}

type limitDocument struct {
	Limit   string          `json:"limit"`
	Clause  string          `json:"clause,omitempty"`
	Rule    string          `json:"rule,omitempty"`
	Outcome record.Outcome  `json:"outcome"`
	Counts  record.Counts   `json:"counts"`
	Closest *record.Verdict `json:"closest,omitempty"`
	Margin  *float64        `json:"margin"` // SI; null where it is not known
}

// JSON is the one document that "run --json" and "report --json" print about a record: outcome, limits, verdicts, results,
// problems. Numbers are in SI units, null where there is none. There is no line end after it.
func JSON(rec *record.Record) ([]byte, error) {
	r := New(rec)
	d := document{Format: "result/1", Record: rec.Dir, ID: rec.ID, Title: rec.Title, Outcome: rec.Outcome, Headline: r.Headline,
		Exit: rec.Exit, Reason: rec.Reason, Finished: rec.Finished, Seconds: rec.DurationSeconds, Points: len(rec.Rows), Counts: rec.Counts,
		Limits: []limitDocument{}, Verdicts: rec.Verdicts, Results: rec.Results, Problems: rec.Problems, Traces: traceDocuments(r.Traces), Lives: lifeDocuments(r.Lives), Time: timeDocumentOf(r.Time),
		Captures: captureDocuments(r), Supplies: supplyDocuments(r.Supplies), Rails: append([]record.Rails{}, r.Rails...), Fits: fitDocuments(r.Fitted), Sweeps: steppedDocuments(r.Stepped),
		ReportFile: map[string]bool{}}
	if !rec.Started.IsZero() {
		d.Started = rec.Started.UTC().Format("2006-01-02T15:04:05.999999999Z07:00")
	}
	if d.Verdicts == nil {
		d.Verdicts = []record.Verdict{}
	}
	if d.Results == nil {
		d.Results = []record.Result{}
	}
	if d.Problems == nil {
		d.Problems = []string{}
	}
	for _, l := range r.Limits {
		out := limitDocument{Limit: l.Text, Clause: l.Clause, Rule: l.Rule, Outcome: l.Outcome, Counts: l.Counts, Closest: l.Closest}
		if !math.IsNaN(l.Margin) {
			out.Margin = &l.Margin
		}
		d.Limits = append(d.Limits, out)
	}
	for _, f := range rec.Files {
		if made(f.Path) && !strings.HasPrefix(f.Path, Folder+"/") {
			d.ReportFile[f.Path] = true
		}
	}
	return json.MarshalIndent(d, "", "  ")
}
