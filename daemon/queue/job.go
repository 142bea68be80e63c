// Package queue holds the jobs of a bench: on disk before anybody is told of them, started in order of priority, one at a time per
// instrument and disjoint ones at once.
//
// A job is opaque: what it means to run it is a function that the queue is given. A job whose run was under way when the process
// ended is handed to another function when the queue starts again, and nothing starts before that one has returned.
package queue

import (
	"encoding/json"
	"slices"
	"time"
)

// State is where a job stands.
type State string

// The states of a job.
const (
	Scheduled   State = "scheduled"   // waits for its time
	Queued      State = "queued"      // waits for its instruments
	Starting    State = "starting"    // on disk before its run is started
	Running     State = "running"     //
	Done        State = "done"        // its run came to its end
	Failed      State = "failed"      // its run ended early
	Interrupted State = "interrupted" // the queue went away in the middle
	Cancelled   State = "cancelled"   //
)

// Ended tells whether nothing more will become of a job in this state.
func (s State) Ended() bool {
	return s == Done || s == Failed || s == Interrupted || s == Cancelled
}

// Active tells whether a run is under way, or may be.
func (s State) Active() bool { return s == Starting || s == Running }

// Retry says when a job that failed is run again by itself.
type Retry struct {
	Attempts int           `json:"attempts,omitempty"` // runs in all; 0 and 1: no second one
	After    time.Duration `json:"after,omitempty"`
}

// Attempt is one run of a job.
type Attempt struct {
	Record  string    `json:"record"` // name of the record, chosen before the run is started
	Started time.Time `json:"started"`
	Ended   time.Time `json:"ended,omitzero"`
	Exit    int       `json:"exit"` // counts where Ended is set
	Reason  string    `json:"reason,omitempty"`
}

// Job is one asked-for run and what became of it.
type Job struct {
	ID        string          `json:"id"` // UUIDv7
	State     State           `json:"state"`
	Priority  int             `json:"priority,omitempty"`
	Owner     string          `json:"owner,omitempty"`
	Submitted time.Time       `json:"submitted"`
	At        time.Time       `json:"at,omitzero"` // not before
	Every     time.Duration   `json:"every,omitempty"`
	From      string          `json:"from,omitempty"` // the recurring job that made it
	Retry     Retry           `json:"retry,omitzero"`
	Needs     []string        `json:"needs"` // instruments
	Order     json.RawMessage `json:"order"` // what it is, for whoever runs it
	Attempts  []Attempt       `json:"attempts,omitempty"`
	Outcome   string          `json:"outcome,omitempty"`
	Reason    string          `json:"reason,omitempty"`
	Hint      string          `json:"hint,omitempty"`
	Ended     time.Time       `json:"ended,omitzero"`
	Resumable bool            `json:"resumable,omitempty"`
	Resumes   string          `json:"resumes,omitempty"` // the job whose record this one goes on with
	Into      string          `json:"into,omitempty"`    // its record
	StoppedBy string          `json:"stopped_by,omitempty"`

	// What follows counts in a lab only, where benches share their work.
	Bench  string `json:"bench,omitempty"`  // which one it is for; any: one that fits
	Holder string `json:"holder,omitempty"` // the one that has taken it
	Epoch  uint64 `json:"epoch,omitempty"`  // counts the takings; 0: a job of this bench alone
	Lost   bool   `json:"lost,omitempty"`   // its bench vanished, and another member has said so
	Copied bool   `json:"copied,omitempty"` // its record is in the lab's store

	Waits    string `json:"-"` // why it does not run yet
	Revision uint64 `json:"-"` // of the store
}

// Record is the record of the last attempt; empty: there was none.
func (j Job) Record() string {
	if len(j.Attempts) == 0 {
		return ""
	}
	return j.Attempts[len(j.Attempts)-1].Record
}

func (j Job) clone() Job {
	j.Needs, j.Attempts = slices.Clone(j.Needs), slices.Clone(j.Attempts)
	return j
}

// Result is how a run ended.
type Result struct {
	State     State // Done, Failed, Interrupted or Cancelled
	Outcome   string
	Exit      int
	Reason    string
	Hint      string
	Resumable bool
	Again     bool // a retry can help: nothing is wrong with the job itself
	Drop      bool // it was not begun, and is somebody else's now: it is forgotten here
}
