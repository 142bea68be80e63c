package api

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"time"

	"fourwire/daemon/access"
	"fourwire/daemon/live"
)

// Service is what the door opens to. Its errors are a *Problem where the request is at fault.
type Service interface {
	Alive() Alive
	Bench() Bench
	SwitchOff(ctx context.Context, who access.Who) (OffReport, error)
	Arm(ctx context.Context, who access.Who, a Arming) (Bench, error)

	Submit(ctx context.Context, who access.Who, s Submission) (Job, error)
	Check(ctx context.Context, who access.Who, s Submission) (Sequence, error)
	Jobs(state State, after string, limit int) (Jobs, error)
	Job(id string) (Job, error)
	Cancel(ctx context.Context, who access.Who, id string) (Job, error)
	Resume(ctx context.Context, who access.Who, id string) (Job, error)
	Events() *live.Stream[Sent]

	Records(ctx context.Context, q RecordQuery) (Records, error)
	Record(ctx context.Context, id string) (Record, error)
	Points(ctx context.Context, id string, after, limit int) (Points, error)
	File(ctx context.Context, id, name string) (File, error)
	Trace(ctx context.Context, id, name string, q TraceQuery) (TraceBins, error)
	Compare(ctx context.Context, c Comparing) (Comparison, error)

	Sequences(ctx context.Context) (Sequences, error)
	Sequence(ctx context.Context, name string) (Sequence, error)

	LabService

	Audit(limit int) (AuditLines, error)
	Note(who access.Who, did, what, detail string) // into the audit log
	Metrics(door Counts) http.Handler              // in the text format of Prometheus
}

// Counts is what the door counts of itself.
type Counts struct {
	Requests, Refused int64 // since it was made
	Streams           int64 // of events, open now
}

// RecordQuery is a search of the history. The zero value finds everything.
type RecordQuery struct {
	Words    string // each must be in title, sequence, bench, operator, settings, serial numbers or id
	Outcome  string
	Sequence string
	From, To time.Time // filed
	After    string    // Next of the page before
	Limit    int
}

// TraceQuery asks for a span of a trace.
type TraceQuery struct {
	Signal   string // empty: the first
	From, To string // with unit, since the start; empty: all
	Bins     int
}

// File is a file of a record that can be sent.
type File struct {
	Content  io.ReadSeeker
	Close    func() error
	Name     string // its base name
	Modified time.Time
	Bytes    int64
}

// AuditLines is the newest part of the audit log.
type AuditLines struct {
	Entries []AuditLine `json:"entries" doc:"newest first"`
}

// AuditLine says that somebody did something.
type AuditLine struct {
	Time   time.Time `json:"time"`
	Who    string    `json:"who"`
	Role   string    `json:"role"`
	From   string    `json:"from,omitempty"`
	Did    string    `json:"did"`
	What   string    `json:"what,omitempty"`
	Detail string    `json:"detail,omitempty"`
}

// Sent is an event as it goes to everybody: encoded once.
type Sent struct {
	Kind, Job string
	Data      []byte // Event as JSON on one line
}

// Publish puts an event into a stream.
func Publish(s *live.Stream[Sent], e Event) {
	s.Publish(func(id string) Sent {
		e.ID = id
		data, err := json.Marshal(e)
		if err != nil { // a number that JSON does not have
			data, _ = json.Marshal(Event{ID: id, Time: e.Time, Kind: "reset"})
			return Sent{Kind: "reset", Data: data}
		}
		return Sent{e.Kind, e.Job, data}
	})
}

// Error is the problem in words.
func (p *Problem) Error() string {
	if p.Detail != "" {
		return p.Detail
	}
	return p.Title
}

// Refuse makes the answer to a request that is not carried out.
func Refuse(status int, detail, hint string) *Problem {
	return &Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail, Hint: hint}
}
