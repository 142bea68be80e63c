package api_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"fourwire/daemon/access"
	"fourwire/daemon/api"
	"fourwire/daemon/live"
)

// stub is a service that does little.
type stub struct {
	api.Service
	stream *live.Stream[api.Sent]
	broken bool
}

func (s *stub) Alive() api.Alive                        { return api.Alive{OK: true} }
func (s *stub) Events() *live.Stream[api.Sent]          { return s.stream }
func (s *stub) Note(access.Who, string, string, string) {}
func (s *stub) Metrics(api.Counts) http.Handler         { return http.NotFoundHandler() }
func (s *stub) Job(id string) (api.Job, error) {
	if s.broken {
		panic("something went wrong")
	}
	return api.Job{}, api.Refuse(404, "there is no such job", "")
}

func door(t *testing.T, o api.Options) (*httptest.Server, *stub, *api.Server) {
	t.Helper()
	s := &stub{stream: live.New[api.Sent]("boot", 8)}
	o.Service = s
	d, err := api.New(o)
	if err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(d)
	t.Cleanup(func() { d.Close(); web.Close() })
	return web, s, d
}

func publish(s *stub, n int) {
	for i := range n {
		api.Publish(s.stream, api.Event{Kind: "log", Text: fmt.Sprint("line ", i+1)})
	}
}

// read takes events from a stream until there are so many, and gives their ids and kinds.
func read(t *testing.T, url, after string, many int) (ids, kinds []string) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, "GET", url+"/api/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	if after != "" {
		r.Header.Set("Last-Event-ID", after)
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if answer.StatusCode != 200 || answer.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("%d %s", answer.StatusCode, answer.Header.Get("Content-Type"))
	}
	for lines := bufio.NewScanner(answer.Body); len(kinds) < many && lines.Scan(); {
		if id, ok := strings.CutPrefix(lines.Text(), "id: "); ok {
			ids = append(ids, id)
		}
		if kind, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
			kinds = append(kinds, kind)
		}
	}
	return ids, kinds
}

// The stream goes on behind Last-Event-ID; what is not remembered any more, or comes from another life of the daemon, is told by "reset".
// Format: the HTML Living Standard, server-sent events.
func TestEventsGoOn(t *testing.T) {
	web, s, _ := door(t, api.Options{})
	publish(s, 5)
	if ids, _ := read(t, web.URL, "boot-2", 3); strings.Join(ids, " ") != "boot-3 boot-4 boot-5" {
		t.Errorf("behind the second: %v", ids)
	}
	publish(s, 5) // the first two are forgotten now
	if ids, kinds := read(t, web.URL, "boot-2", 8); kinds[0] != "log" || ids[0] != "boot-3" || ids[7] != "boot-10" {
		t.Errorf("%v %v", ids, kinds)
	}
	if ids, kinds := read(t, web.URL, "boot-1", 1); kinds[0] != "reset" || ids[0] != "boot-10" {
		t.Errorf("behind one whose successor is forgotten: %v %v", ids, kinds)
	}
	for _, other := range []string{"other-3", "boot-99", "rubbish", "boot-", "boot--1"} {
		if _, kinds := read(t, web.URL, other, 1); kinds[0] != "reset" {
			t.Errorf("%s: %v", other, kinds)
		}
	}
}

// A watcher who does not keep up is told so and goes on with what is new.
func TestSlowWatcher(t *testing.T) {
	s := live.New[int]("b", 4)
	c, ok := s.From("")
	if !ok {
		t.Fatal("the end is always known")
	}
	for i := range 9 {
		s.Publish(func(string) int { return i })
	}
	if list, missed := s.Next(t.Context(), &c, 10); !missed || len(list) != 0 {
		t.Errorf("%v %v", list, missed)
	}
	s.Publish(func(string) int { return 9 })
	if list, missed := s.Next(t.Context(), &c, 10); missed || len(list) != 1 || list[0].Value != 9 || s.ID(list[0].Number) != "b-10" {
		t.Errorf("%v %v", list, missed)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if list, missed := s.Next(ctx, &c, 10); missed || list != nil {
		t.Errorf("%v %v", list, missed)
	}
}

func TestTooMany(t *testing.T) {
	web, _, _ := door(t, api.Options{PerSecond: 1, Burst: 5})
	counts := map[int]int{}
	for range 20 {
		answer, err := http.Get(web.URL + "/api/health")
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		counts[answer.StatusCode]++
		if answer.StatusCode == 429 && answer.Header.Get("Retry-After") == "" {
			t.Error("a client that is too quick is not told when to come again")
		}
	}
	if counts[200] < 5 || counts[429] < 10 {
		t.Errorf("%v", counts)
	}
}

func TestTooManyWatch(t *testing.T) {
	web, s, _ := door(t, api.Options{Watchers: 1})
	publish(s, 1)
	answer, err := http.Get(web.URL + "/api/events")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	second, err := http.Get(web.URL + "/api/events")
	if err != nil || second.StatusCode != 503 {
		t.Errorf("%v %v", second.StatusCode, err)
	}
	second.Body.Close()
}

// A mistake in the daemon's code is an answer, and does not tell how it looks inside.
func TestBrokenHandler(t *testing.T) {
	var logged string
	web, s, _ := door(t, api.Options{Log: func(_, text string, fields map[string]any) { logged = text + fmt.Sprint(fields["stack"]) }})
	s.broken = true
	answer, err := http.Get(web.URL + "/api/jobs/one")
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(answer.Body)
	answer.Body.Close()
	if err != nil || answer.StatusCode != 500 || strings.Contains(string(body), "goroutine") || !strings.Contains(logged, "something went wrong") || !strings.Contains(logged, "goroutine") {
		t.Errorf("%d %s; logged %.100s", answer.StatusCode, body, logged)
	}
}

// Without a page there is nothing outside /api/; with one, it has the policy of a page, and is only read.
func TestPage(t *testing.T) {
	web, _, _ := door(t, api.Options{})
	if answer, err := http.Get(web.URL + "/"); err != nil || answer.StatusCode != 404 {
		t.Errorf("%v %v", answer, err)
	}
	page := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "page") })
	web, _, _ = door(t, api.Options{Page: page})
	answer, err := http.Get(web.URL + "/")
	if err != nil || answer.StatusCode != 200 || !strings.Contains(answer.Header.Get("Content-Security-Policy"), "default-src 'self'") {
		t.Errorf("%v %v", answer, err)
	}
	if answer, err := http.Post(web.URL+"/", "text/plain", nil); err != nil || answer.StatusCode != 405 {
		t.Errorf("%v %v", answer, err)
	}
}
