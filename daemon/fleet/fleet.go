// Package fleet lets the daemons of a lab share their work: benches and hubs that know each other over a cluster of message servers.
//
// What is asked of the lab lies in the cluster's store, one entry for each job. A bench that fits takes a job by changing its entry, which
// only one can do, copies it to its own disk, and wins a second change before anything is energised. From then on the bench's own disk is
// the truth about the job and the entry follows it, at once or when the cluster can be reached again. A job that has been begun is never
// given to another bench; one that has not been begun is, when its bench is not heard of for as long as its lease lasts.
package fleet

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fourwire/daemon/queue"
	"fourwire/internal/clock"
)

// Any addresses a job to whichever bench fits.
const Any = "any"

// Options say how to join a lab.
type Options struct {
	Servers  []string // addresses of the cluster's servers, without credentials
	Secrets  Secrets
	Lab      string        // prefix of everything that the lab keeps in the cluster; empty: fourwire
	Name     string        // of this member, which no other may have
	Identity string        // of its state folder: whoever has it is this member, also after a restart
	Hub      bool          // it has no bench
	Replicas int           // of what is kept; 0: 3 where the servers form a cluster, else 1
	Lease    time.Duration // a member that is not heard of for so long has vanished; 0 is 45 s
	Clock    clock.Clock   // nil is the machine's
	Member   Member
	Log      func(level, text string, fields map[string]any) // nil: nobody
}

// Member is what a lab needs of the daemon. Its methods may be called by several goroutines, and must not wait for the lab.
type Member interface {
	// About is what the others are told of it.
	About() About
	// Fit says why this bench does not serve a job; empty: it does, and what it takes has been entered into the job.
	Fit(j *queue.Job, input []byte) (why string)
	// Room tells whether a job that fits would start at once.
	Room(j queue.Job) bool
	// Take keeps a job on the disk of this bench.
	Take(ctx context.Context, j queue.Job, input []byte) error
	// Own lists the jobs of the lab as this bench knows them.
	Own() []queue.Job
	// Drop forgets a job that was taken and has not been begun.
	Drop(ctx context.Context, id string)
	// Seen is told of a job that has changed in the lab.
	Seen(j queue.Job)
	// SeenMembers is told that something has changed about the other members.
	SeenMembers()
	// Do carries out what another member asks for.
	Do(ctx context.Context, c Command) Answer
	// Folder is where a record of this member is, where nobody writes it any more. An error that is fs.ErrNotExist says that there is none.
	Folder(record string) (dir string, err error)
	// Copied tells whether this member has the record of a job as the job left it, or cannot have it.
	Copied(j queue.Job) bool
	// Staging makes an empty folder on the disk of the records, for one that is being fetched.
	Staging(record string) (dir string, err error)
	// File takes in the record of a job that was fetched into a folder.
	File(j queue.Job, dir string) error
}

// Channel is what a channel of an instrument can do, in short.
type Channel struct {
	Name  string `json:"name"`
	Kind  string `json:"kind"` // as what it is wired: source, load, voltmeter, ammeter
	Node  string `json:"node,omitempty"`
	Volts string `json:"volts,omitempty"` // as in 0..20 V
	Amps  string `json:"amps,omitempty"`
}

// Instrument is an instrument of a bench.
type Instrument struct {
	Name     string    `json:"name"`
	Model    string    `json:"model"`
	Channels []Channel `json:"channels,omitempty"`
}

// About is what a member tells the others of itself.
type About struct {
	Name        string       `json:"name"`
	Title       string       `json:"title,omitempty"`
	Hub         bool         `json:"hub,omitempty"`
	Host        string       `json:"host,omitempty"` // computer
	Version     string       `json:"version"`
	Simulated   bool         `json:"simulated,omitempty"`
	Armed       bool         `json:"armed,omitempty"`
	Held        string       `json:"held,omitempty"` // why nothing starts
	Outputs     string       `json:"outputs,omitempty"`
	Running     int          `json:"running"`
	Instruments []Instrument `json:"instruments,omitempty"`
}

// Peer is a member of the lab as this one sees it.
type Peer struct {
	About
	Heard time.Time // last
	Gone  bool      // its lease has run out, or it has left
	Left  bool      // in order
}

// The errors of a lab.
var (
	ErrTaken       = errors.New("the name is taken")
	ErrFenced      = errors.New("the lab has given the job to somebody else")
	ErrUnreachable = errors.New("the cluster is not reachable")
	ErrNoAnswer    = errors.New("no answer")
)

// Names are those of labs and members: they become parts of subjects and keys.
var names = regexp.MustCompile(`^[A-Za-z0-9_-]{1,60}$`)

// ValidName tells whether a lab or a member may be called so.
func ValidName(name string) bool { return names.MatchString(name) && name != Any }

const (
	defaultLab   = "fourwire"
	defaultLease = 45 * time.Second
	beatsInLease = 8
	askWithin    = 5 * time.Second
	keptEnded    = 2000 // jobs of the lab that are over
)

// Lab is the lab as one member sees it. All methods may be called by several goroutines.
type Lab struct {
	options  Options
	clock    clock.Clock
	conn     *nats.Conn
	js       jetstream.JetStream
	instance string // of this life of the process

	state   jetstream.KeyValue    // job.ID, fit.ID.BENCH, about.NAME, beat.NAME
	inputs  jetstream.KeyValue    // ID.N
	records jetstream.ObjectStore // by the name of the record's folder

	wakeClaim, wakeMirror, wakeAbout, wakeWatch, wakeShip, wakeFetch, wakeBeat chan struct{}

	fetching sync.Mutex // held while a record is fetched
	own      sync.Mutex // held while an entry of a job that this member has is changed

	mu       sync.Mutex // guards what follows; never held while something waits
	joined   bool
	refusal  error     // of the last attempt to connect
	taken    error     // the name of this member is another's now
	beaten   time.Time // when the last beat was acknowledged
	beat     uint64    // its revision
	lost     time.Time // since when the cluster is not reachable; zero: it is
	began    time.Time // since when it has been reachable without a break
	loaded   bool      // the mirror is complete
	jobs     map[string]queue.Job
	fits     map[string]map[string]string // why, by job and bench
	peers    map[string]*Peer
	beats    map[string]uint64 // revision of the last beat of each
	claiming map[string]bool
	empty    map[string]bool   // jobs that left no record
	unbegun  map[string]uint64 // epochs of jobs that this member took and did not begin, which the lab could not be told
	looked   map[string]looked // whether jobs fit this bench
}

type looked struct {
	why       string
	completed queue.Job // with what it takes
	told      bool      // the lab knows why not
	input     []byte
}

// New makes a lab that this member is not connected to yet.
func New(o Options) (*Lab, error) {
	if o.Lab == "" {
		o.Lab = defaultLab
	}
	if o.Lease == 0 {
		o.Lease = defaultLease
	}
	if o.Log == nil {
		o.Log = func(string, string, map[string]any) {}
	}
	if !ValidName(o.Lab) || !ValidName(o.Name) {
		return nil, fmt.Errorf("%q is no name for a lab or a member of one: up to 60 letters, digits, - and _, and not %q", o.Name, Any)
	}
	l := &Lab{options: o, clock: clock.Or(o.Clock), instance: nats.NewInbox(), jobs: map[string]queue.Job{}, fits: map[string]map[string]string{}, peers: map[string]*Peer{},
		beats: map[string]uint64{}, claiming: map[string]bool{}, empty: map[string]bool{}, unbegun: map[string]uint64{}, looked: map[string]looked{}}
	for _, c := range []*chan struct{}{&l.wakeClaim, &l.wakeMirror, &l.wakeAbout, &l.wakeWatch, &l.wakeShip, &l.wakeFetch, &l.wakeBeat} {
		*c = make(chan struct{}, 1)
	}
	l.lost = l.clock.Now()
	return l, l.connect()
}

// Name is the name of this member.
func (l *Lab) Name() string { return l.options.Name }

func (l *Lab) log(level, text string, fields map[string]any) { l.options.Log(level, text, fields) }

func wake(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// Changed has the lab told of what has changed here.
func (l *Lab) Changed() { wake(l.wakeMirror); wake(l.wakeClaim); wake(l.wakeAbout) }

// Run takes part in the lab until ctx ends, then leaves it in order. What this member still runs then should be over.
func (l *Lab) Run(ctx context.Context) {
	var parts sync.WaitGroup
	for _, part := range []func(context.Context){l.keepBeating, l.keepWatching, l.keepClaiming, l.keepMirroring, l.keepTelling, l.keepShipping, l.keepFetching, l.keepTidy, l.answerCommands} {
		parts.Go(func() { part(ctx) })
	}
	parts.Wait()
	last, cancel := l.clock.WithTimeout(context.WithoutCancel(ctx), askWithin)
	defer cancel()
	if !l.options.Hub && l.Reachable() == "" {
		l.mirror(last)
	}
	l.leave()
	l.conn.Close()
}

// Close ends the connection of a lab that is not run.
func (l *Lab) Close() { l.conn.Close() }

// every calls do at once, when woken, and at least that often, until ctx ends.
func (l *Lab) every(ctx context.Context, d time.Duration, woken chan struct{}, do func(context.Context)) {
	for ctx.Err() == nil {
		do(ctx)
		waiting, cancel := l.clock.WithTimeout(ctx, d)
		select {
		case <-woken:
		case <-waiting.Done():
		}
		cancel()
	}
}

// Reachable tells whether the cluster can be reached and this member is one of the lab; otherwise why not, in words.
func (l *Lab) Reachable() (why string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.unreachable()
}

func (l *Lab) unreachable() string {
	switch {
	case l.taken != nil:
		return l.taken.Error()
	case !l.lost.IsZero():
		return "cluster not reachable since " + l.lost.UTC().Format("15:04:05") + " UTC"
	case !l.joined || !l.loaded:
		return "the lab is being joined"
	}
	return ""
}

// Jobs lists the jobs of the lab as last heard of.
func (l *Lab) Jobs() []queue.Job {
	l.mu.Lock()
	defer l.mu.Unlock()
	out := make([]queue.Job, 0, len(l.jobs))
	for _, j := range l.jobs {
		j.Waits = l.waits(j)
		out = append(out, j)
	}
	return out
}

// Counts counts the jobs of the lab that are not over.
func (l *Lab) Counts() (scheduled, queued, running int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, j := range l.jobs {
		switch {
		case j.State == queue.Scheduled:
			scheduled++
		case j.State == queue.Queued:
			queued++
		case j.State.Active():
			running++
		}
	}
	return scheduled, queued, running
}

// Job gives one.
func (l *Lab) Job(id string) (queue.Job, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	j, ok := l.jobs[id]
	j.Waits = l.waits(j)
	return j, ok
}

// Peers lists the members of the lab, this one too.
func (l *Lab) Peers() []Peer {
	l.mu.Lock()
	defer l.mu.Unlock()
	var out []Peer
	for _, p := range l.peers {
		if p.Name != "" {
			out = append(out, *p)
		}
	}
	return out
}

// decode reads JSON that came over the network: what cannot be read is nothing.
func decode[T any](data []byte) (v T, ok bool) {
	ok = json.Unmarshal(data, &v) == nil
	return v, ok
}
