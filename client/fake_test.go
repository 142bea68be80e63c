package client_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"fourwire/client"
	"fourwire/daemon/access"
	"fourwire/daemon/api"
	"fourwire/daemon/live"
)

// bench is a daemon without instruments: what it answers is made up here, the door before it is the real one.
type bench struct {
	api.Service
	stream *live.Stream[api.Sent]

	mu   sync.Mutex // guards what follows
	jobs []api.Job
	off  int
	look int // times that somebody asked for a job
}

func newBench(remember int) *bench {
	return &bench{stream: live.New[api.Sent]("life", remember)}
}

// serve puts a door before a bench, and gives its address. A nil tokens lets everybody in.
func serve(b *bench, tokens *access.Tokens) (url string, shut func()) {
	door, err := api.New(api.Options{Service: b, Tokens: tokens, PerSecond: 1e6, Burst: 1e6})
	if err != nil {
		panic(err)
	}
	web := httptest.NewServer(door)
	return web.URL, func() { door.Close(); web.CloseClientConnections(); web.Close() }
}

func (b *bench) Alive() api.Alive                        { return api.Alive{OK: true, Access: "open"} }
func (b *bench) Bench() api.Bench                        { return api.Bench{Name: "buoy", Outputs: "off"} }
func (b *bench) Events() *live.Stream[api.Sent]          { return b.stream }
func (b *bench) Note(access.Who, string, string, string) {}

func (b *bench) Submit(_ context.Context, who access.Who, s api.Submission) (api.Job, error) {
	if s.Sequence != "efficiency.yaml" {
		p := api.Refuse(422, "the sequence, or a parameter, is wrong", "")
		p.Findings = []api.Finding{{File: "sequence.yaml", Line: 4, Column: 12, Level: "error", Text: `"10 m" has no unit that is known here`, Hint: "mV?"}}
		return api.Job{}, p
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	j := api.Job{ID: "job-" + strconv.Itoa(len(b.jobs)+1), State: api.Queued, Title: "Buoy 5 V converter, efficiency", Owner: who.Name, Instruments: []string{"psu", "load"}}
	b.jobs = append(b.jobs, j)
	return j, nil
}

// set changes a job and tells everybody who watches.
func (b *bench) set(id string, do func(*api.Job)) {
	b.quietly(id, do)
	j, _ := b.Job(id)
	api.Publish(b.stream, api.Event{Kind: "job", Job: id, State: &j})
}

func (b *bench) quietly(id string, do func(*api.Job)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := range b.jobs {
		if b.jobs[i].ID == id {
			do(&b.jobs[i])
		}
	}
}

func (b *bench) asked() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.look
}

func (b *bench) Job(id string) (api.Job, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.look++
	for _, j := range b.jobs {
		if j.ID == id {
			return j, nil
		}
	}
	return api.Job{}, api.Refuse(404, "there is no such job", "GET /api/jobs lists them")
}

func (b *bench) Jobs(state api.State, after string, limit int) (api.Jobs, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := api.Jobs{Jobs: []api.Job{}}
	from := slices.IndexFunc(b.jobs, func(j api.Job) bool { return j.ID == after }) + 1
	for _, j := range b.jobs[from:] {
		if state != "" && j.State != state {
			continue
		}
		if len(out.Jobs) == limit {
			out.Next = out.Jobs[limit-1].ID
			break
		}
		out.Jobs = append(out.Jobs, j)
	}
	return out, nil
}

func (b *bench) Cancel(_ context.Context, _ access.Who, id string) (api.Job, error) {
	j, err := b.Job(id)
	if err == nil && client.Over(j) {
		return j, api.Refuse(409, "the job is over", "")
	}
	b.set(id, func(j *api.Job) { j.State = api.Cancelled })
	return b.Job(id)
}

func (b *bench) Check(_ context.Context, _ access.Who, s api.Submission) (api.Sequence, error) {
	return api.Sequence{Name: s.Sequence, Fit: "fits", Planned: 40}, nil
}

func (b *bench) Resume(_ context.Context, _ access.Who, id string) (api.Job, error) {
	return api.Job{ID: "job-9", Record: "r1", State: api.Queued}, nil
}

func (b *bench) SwitchOff(_ context.Context, who access.Who) (api.OffReport, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.off++
	return api.OffReport{Safe: true, By: who.Name, Text: "every output is off"}, nil
}

func (b *bench) Lab() api.Lab { return api.Lab{Joined: true, Members: []api.Member{{Name: "roof"}}} }

func (b *bench) SwitchOffAt(_ context.Context, who access.Who, bench string) (api.OffReport, error) {
	return api.OffReport{By: who.Name, Text: bench + " does not answer"}, nil
}

func (b *bench) Audit(limit int) (api.AuditLines, error) {
	return api.AuditLines{Entries: []api.AuditLine{{Who: "ada", Did: "arm", Detail: strconv.Itoa(limit)}}}, nil
}

func (b *bench) Arm(_ context.Context, who access.Who, a api.Arming) (api.Bench, error) {
	return api.Bench{Name: "buoy", Armed: a.Armed, ArmedBy: who.Name + " for " + a.For}, nil
}

// efficiencies are made up: eta of a converter that loses 60 mW and 3 %.
func efficiencies(n int) []api.Point {
	var out []api.Point
	for i := range n {
		iout := 0.1 * float64(i+1)
		eta := 5 * iout / (0.06 + 5*iout*1.03)
		u := 0.002
		out = append(out, api.Point{N: i + 1, T: float64(i), Status: "ok", Values: map[string]api.Value{"iout": {V: &iout}, "efficiency": {V: &eta, U: &u}}})
	}
	return out
}

const manyPoints = 25_000 // more than a page

func (b *bench) Points(_ context.Context, id string, after, limit int) (api.Points, error) {
	n := 5
	if id == "long" {
		n = manyPoints
	}
	list := efficiencies(n)
	list = list[min(after, n):]
	return api.Points{Points: list[:min(limit, len(list))], Finished: true}, nil
}

func (b *bench) Record(_ context.Context, id string) (api.Record, error) {
	return api.Record{Brief: api.Brief{ID: id, Outcome: "pass", Points: 5}, Columns: []api.Column{{Name: "iout", Kind: "coordinate", Unit: "A"}, {Name: "efficiency", Kind: "derived", Unit: "1"}}}, nil
}

func (b *bench) Records(_ context.Context, q api.RecordQuery) (api.Records, error) {
	const all = 1200
	from, _ := strconv.Atoi(q.After)
	out := api.Records{Records: []api.Brief{}, Total: all}
	for i := from; i < all && len(out.Records) < q.Limit; i++ {
		out.Records = append(out.Records, api.Brief{ID: "r" + strconv.Itoa(i), Title: q.Words + "|" + q.Outcome + "|" + q.From.Format(time.DateOnly)})
	}
	if from+q.Limit < all {
		out.Next = strconv.Itoa(from + q.Limit)
	}
	return out, nil
}

func (b *bench) File(_ context.Context, id, name string) (api.File, error) {
	if id == "none" {
		return api.File{}, api.Refuse(404, "there is no such record, or it has no such file", "")
	}
	data := id + " " + name
	return api.File{Content: strings.NewReader(data), Close: func() error { return nil }, Name: filepath.Base(name), Bytes: int64(len(data))}, nil
}

func (b *bench) Trace(_ context.Context, id, name string, q api.TraceQuery) (api.TraceBins, error) {
	return api.TraceBins{Trace: id + "/" + name, Signal: api.Signal{Name: q.Signal}, From: float64(q.Bins)}, nil
}

func (b *bench) Compare(_ context.Context, q api.Comparing) (api.Comparison, error) {
	return api.Comparison{Notes: append(q.Records, q.Columns...)}, nil
}

func (b *bench) Sequences(context.Context) (api.Sequences, error) {
	return api.Sequences{Sequences: []api.Sequence{{Name: "efficiency.yaml"}}}, nil
}

func (b *bench) Sequence(_ context.Context, name string) (api.Sequence, error) {
	return api.Sequence{Name: name}, nil
}

// connect gives a client of a bench behind a door.
func connect(t *testing.T, b *bench, options ...client.Option) *client.Client {
	t.Helper()
	url, shut := serve(b, nil)
	t.Cleanup(shut)
	c, err := client.New(url, options...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

// answering gives a client of a server that is no daemon.
func answering(t *testing.T, h http.HandlerFunc, options ...client.Option) *client.Client {
	t.Helper()
	web := httptest.NewServer(h)
	t.Cleanup(func() { web.CloseClientConnections(); web.Close() })
	c, err := client.New(web.URL, options...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

// tokens is a file of tokens with one operator, whose token is given.
func tokens(t *testing.T) (*access.Tokens, string) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "tokens.txt")
	token, line, err := access.NewToken("ada", access.Operator)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte(line+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	list, err := access.OpenTokens(file)
	if err != nil {
		t.Fatal(err)
	}
	return list, token
}
