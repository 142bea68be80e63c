package api

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"path"
	"strings"
	"sync/atomic"
	"time"
)

// counts is what the door counts of itself.
type counts struct{ requests, refusals, streams atomic.Int64 }

func (c *counts) request() { c.requests.Add(1) }
func (c *counts) refused() { c.refusals.Add(1) }

func serveOpenAPI(c *call) (any, error) {
	c.w.Header().Set("Content-Type", "application/json")
	_, _ = c.w.Write(c.openapi)
	return sent{}, nil
}

func serveMetrics(c *call) (any, error) {
	c.r.Header.Del("Accept") // the text format is what the document says
	c.service.Metrics(Counts{c.counts.requests.Load(), c.counts.refusals.Load(), c.counts.streams.Load()}).ServeHTTP(c.w, c.r)
	return sent{}, nil
}

func serveSession(c *call) (any, error) {
	return Session{Name: c.who.Name, Role: c.who.Role.String()}, nil
}

func openSession(c *call) (any, error) {
	word, until := c.sessions.New(c.who)
	http.SetCookie(c.w, &http.Cookie{Name: cookieName, Value: word, Path: "/", Expires: until, HttpOnly: true, Secure: c.TLS, SameSite: http.SameSiteStrictMode})
	c.service.Note(c.who, "session", "", "")
	return serveSession(c)
}

func endSession(c *call) (any, error) {
	if cookie, err := c.r.Cookie(cookieName); err == nil {
		c.sessions.End(cookie.Value)
	}
	http.SetCookie(c.w, &http.Cookie{Name: cookieName, Path: "/", MaxAge: -1, HttpOnly: true, Secure: c.TLS, SameSite: http.SameSiteStrictMode})
	return serveSession(c)
}

func listJobs(c *call) (any, error) {
	n, err := c.number("limit", 1, 1000, 100)
	if err != nil {
		return nil, err
	}
	return result(c.service.Jobs(State(c.query.Get("state")), c.query.Get("after"), n))
}

func searchRecords(c *call) (any, error) {
	n, err := c.number("limit", 1, 1000, 100)
	if err != nil {
		return nil, err
	}
	return result(c.service.Records(c.ctx(), RecordQuery{Words: c.query.Get("q"), Outcome: c.query.Get("outcome"), Sequence: c.query.Get("sequence"),
		From: c.when("from"), To: c.when("to"), After: c.query.Get("after"), Limit: n}))
}

func servePoints(c *call) (any, error) {
	from, err := c.number("after", 0, 1<<30, 0)
	if err != nil {
		return nil, err
	}
	n, err := c.number("limit", 1, 100_000, 10_000)
	if err != nil {
		return nil, err
	}
	return result(c.service.Points(c.ctx(), c.path["id"], from, n))
}

func serveTrace(c *call) (any, error) {
	bins, err := c.number("bins", 1, 10_000, 1000)
	if err != nil {
		return nil, err
	}
	return result(c.service.Trace(c.ctx(), c.path["id"], c.path["name"], TraceQuery{c.query.Get("signal"), c.query.Get("from"), c.query.Get("to"), bins}))
}

func servePointsFile(c *call) (any, error) {
	f, err := c.service.File(c.ctx(), c.path["id"], "points.csv")
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }() // it was only read
	c.w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	c.w.Header().Set("Content-Disposition", `attachment; filename="points.csv"`)
	send(c, f)
	return sent{}, nil
}

// send sends a file, or a part of it, or says that it has not changed.
func send(c *call, f File) {
	c.w.Header().Set("ETag", fmt.Sprintf(`"%x-%x"`, f.Bytes, f.Modified.UnixNano()))
	c.w.Header().Set("Cache-Control", "no-cache")
	http.ServeContent(c.w, c.r, f.Name, f.Modified, f.Content)
}

// reportPolicy shuts a report in: its own scripts may draw, and nothing else. It is a page of another origin to the browser.
const reportPolicy = "default-src 'none'; script-src 'unsafe-inline' 'self'; style-src 'unsafe-inline'; img-src data: blob:; font-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'self'; sandbox allow-scripts allow-downloads"

var reportMedia = map[string]string{".html": "text/html; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".xml": "application/xml",
	".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", ".csv": "text/csv; charset=utf-8", ".json": "application/json"}

// serveReport sends a file of the reports of a record: nothing of the record beside them. A browser that asks for the page is sent to an address with
// a ticket: the page is shut in as if it came from elsewhere, so that what it loads besides comes without a session.
func serveReport(c *call) (any, error) {
	name := c.path["file"]
	if dest := c.r.Header.Get("Sec-Fetch-Dest"); path.Ext(name) == ".html" && (dest == "document" || dest == "iframe") {
		word, _ := c.tickets.New(c.path["id"])
		http.Redirect(c.w, c.r, "/api/reports/"+word+"/"+(&url.URL{Path: name}).EscapedPath(), http.StatusSeeOther)
		return sent{}, nil
	}
	return sendReport(c, c.path["id"], name)
}

// ticketed sends a file of the reports that a ticket is for.
func ticketed(c *call) (any, error) {
	id, ok := c.tickets.Find(c.path["ticket"])
	if !ok {
		return nil, Refuse(http.StatusNotFound, "this address of a report has run out", "open the report anew from its record")
	}
	return sendReport(c, id, c.path["file"])
}

func sendReport(c *call, id, name string) (any, error) {
	media := reportMedia[path.Ext(name)]
	reported := strings.HasPrefix(name, "report/") || name == "report.html" || name == "results.xlsx" || name == "verdict.junit.xml"
	if media == "" || !reported {
		return nil, Refuse(http.StatusNotFound, "the record has no such report", "it may have report.html, results.xlsx and verdict.junit.xml")
	}
	f, err := c.service.File(c.ctx(), id, name)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }() // it was only read
	h := c.w.Header()
	h.Set("Content-Type", media)
	switch path.Ext(name) {
	case ".html":
		h.Set("Content-Security-Policy", reportPolicy)
	case ".js": // drawn in a page that is of another origin to the browser
		h.Set("Cross-Origin-Resource-Policy", "cross-origin")
	default:
		h.Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", path.Base(name)))
	}
	send(c, f)
	return sent{}, nil
}

func serveAudit(c *call) (any, error) {
	n, err := c.number("limit", 1, 1000, 100)
	if err != nil {
		return nil, err
	}
	return result(c.service.Audit(n))
}

const (
	heartbeat   = 15 * time.Second
	writeWithin = 10 * time.Second
	batch       = 256
	gather      = 20 * time.Millisecond // what comes within it goes out together: many who watch do not cost many writes
)

// serveEvents sends events until whoever watches goes away. One who is too slow is told to load everything anew.
func serveEvents(c *call) (any, error) {
	select {
	case c.Server.watchers <- struct{}{}:
		defer func() { <-c.Server.watchers }()
	default:
		return nil, Refuse(http.StatusServiceUnavailable, "too many are watching", "try again in a while")
	}
	c.counts.streams.Add(1)
	defer c.counts.streams.Add(-1)
	id := c.r.Header.Get("Last-Event-ID")
	if id == "" {
		id = c.query.Get("after")
	}
	stream := c.service.Events()
	cursor, known := stream.From(id)
	h := c.w.Header()
	h.Set("Content-Type", events)
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	c.w.WriteHeader(http.StatusOK)
	if c.r.Method == http.MethodHead {
		return sent{}, nil
	}
	out := bufio.NewWriterSize(c.w, 16<<10)
	control := http.NewResponseController(c.w)
	flush := func() bool {
		_ = control.SetWriteDeadline(c.clock.Now().Add(writeWithin))
		return out.Flush() == nil && control.Flush() == nil
	}
	reset := func() {
		fmt.Fprintf(out, "id: %s\nevent: reset\ndata: {\"kind\":\"reset\",\"id\":%q}\n\n", stream.Last(), stream.Last())
	}
	fmt.Fprint(out, "retry: 1000\n\n")
	if !known {
		reset()
	}
	if !flush() {
		return sent{}, nil
	}
	only := c.query.Get("job")
	watching, end := context.WithCancel(c.ctx())
	defer end()
	go func() {
		select {
		case <-c.Server.closing:
			end()
		case <-watching.Done():
		}
	}()
	for watching.Err() == nil {
		ctx, cancel := c.clock.WithTimeout(watching, heartbeat)
		list, missed := stream.Next(ctx, &cursor, batch)
		cancel()
		switch {
		case missed:
			reset()
		case len(list) == 0:
			fmt.Fprint(out, ": still here\n\n")
		}
		for _, e := range list {
			if only == "" || e.Value.Job == "" || e.Value.Job == only {
				writeEvent(out, stream.ID(e.Number), e.Value)
			}
		}
		if !flush() || c.clock.Sleep(watching, gather) != nil {
			break
		}
	}
	return sent{}, nil
}

func writeEvent(out io.Writer, id string, s Sent) {
	fmt.Fprintf(out, "id: %s\nevent: %s\ndata: %s\n\n", id, s.Kind, s.Data)
}
