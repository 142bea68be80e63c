package api

import (
	"net/http"
	"reflect"

	"fourwire/daemon/access"
)

// Route is one thing that can be asked for. The table of routes is the whole API.
type Route struct {
	Method string
	Path   string // segments in braces are taken from the path; {name...} takes the rest of it
	Role   access.Role
	About  string
	Query  []Parameter
	In     reflect.Type // nil: no body
	Out    reflect.Type // nil: Media says what
	Media  string       // of the answer; empty: JSON
	Status int          // of success
	Bytes  int64        // of a body, at most; 0: 64 KiB
	serve  func(*call) (any, error)
}

// Parameter is one that may stand behind the question mark.
type Parameter struct {
	Name, Type, About string // Type: string, integer, date-time
}

func in[T any]() reflect.Type { return reflect.TypeFor[T]() }

const (
	csv    = "text/csv"
	events = "text/event-stream"
	plain  = "text/plain"
	any_   = "application/octet-stream"
)

// ticketPath begins the addresses that carry their own permission.
const ticketPath = "/api/reports/"

const submissionBytes = 2 << 20

var (
	after = Parameter{"after", "string", "next of the page before"}
	limit = Parameter{"limit", "integer", "how many, 1 to 1000; 100 where it is left out"}
)

// Routes is the table.
func Routes() []Route {
	return []Route{
		{Method: "GET", Path: "/api/health", About: "Whether the daemon works.", Out: in[Alive](), serve: func(c *call) (any, error) { return c.service.Alive(), nil }},
		{Method: "GET", Path: "/api/openapi.json", Role: access.Viewer, About: "This description.", Media: "application/json", serve: serveOpenAPI},
		{Method: "GET", Path: "/api/metrics", Role: access.Viewer, About: "Counters and gauges in the Prometheus text format.", Media: plain, serve: serveMetrics},

		{Method: "GET", Path: "/api/session", Role: access.Viewer, About: "Who is asking.", Out: in[Session](), serve: serveSession},
		{Method: "POST", Path: "/api/session", Role: access.Viewer, About: "Open a session for a browser: a cookie takes the place of the token.", Out: in[Session](), serve: openSession},
		{Method: "DELETE", Path: "/api/session", Role: access.Viewer, About: "End it.", Out: in[Session](), serve: endSession},

		{Method: "GET", Path: "/api/bench", Role: access.Viewer, About: "The bench at a glance.", Out: in[Bench](), serve: func(c *call) (any, error) { return c.service.Bench(), nil }},
		{Method: "POST", Path: "/api/outputs-off", Role: access.Operator, About: "Switch every output off now: stop what runs, verify, disarm the bench.", Out: in[OffReport](),
			serve: func(c *call) (any, error) { return result(c.service.SwitchOff(c.ctx(), c.who)) }},
		{Method: "POST", Path: "/api/arm", Role: access.Operator, About: "Arm the bench, so that jobs may energise it, or disarm it.", In: in[Arming](), Out: in[Bench](),
			serve: body(func(c *call, a Arming) (any, error) { return result(c.service.Arm(c.ctx(), c.who, a)) })},

		{Method: "POST", Path: "/api/jobs", Role: access.Operator, About: "Submit a job.", In: in[Submission](), Out: in[Job](), Status: http.StatusCreated, Bytes: submissionBytes,
			serve: body(func(c *call, s Submission) (any, error) { return result(c.service.Submit(c.ctx(), c.who, s)) })},
		{Method: "POST", Path: "/api/check", Role: access.Operator, About: "Say what would become of a job: whether the bench serves it as it is set, how many points, how long; nothing is taken in.", In: in[Submission](), Out: in[Sequence](), Bytes: submissionBytes,
			serve: body(func(c *call, s Submission) (any, error) { return result(c.service.Check(c.ctx(), c.who, s)) })},
		{Method: "GET", Path: "/api/jobs", Role: access.Viewer, About: "List jobs.", Query: []Parameter{{"state", "string", "only those in this state"}, after, limit}, Out: in[Jobs](), serve: listJobs},
		{Method: "GET", Path: "/api/jobs/{id}", Role: access.Viewer, About: "One job.", Out: in[Job](), serve: func(c *call) (any, error) { return result(c.service.Job(c.path["id"])) }},
		{Method: "DELETE", Path: "/api/jobs/{id}", Role: access.Operator, About: "Cancel a job that waits, stop one that runs.", Out: in[Job](),
			serve: func(c *call) (any, error) { return result(c.service.Cancel(c.ctx(), c.who, c.path["id"])) }},
		{Method: "POST", Path: "/api/jobs/{id}/resume", Role: access.Operator, About: "Go on with a job that was broken off, after its last whole point.", Out: in[Job](), Status: http.StatusCreated,
			serve: func(c *call) (any, error) { return result(c.service.Resume(c.ctx(), c.who, c.path["id"])) }},
		{Method: "GET", Path: "/api/events", Role: access.Viewer, About: "Watch: server-sent events, which go on behind Last-Event-ID.", Media: events,
			Query: []Parameter{{"after", "string", "id of the last event seen; the header Last-Event-ID goes before it"}, {"job", "string", "of jobs, only this one's"}}, serve: serveEvents},

		{Method: "GET", Path: "/api/records", Role: access.Viewer, About: "Search the history, latest first.", Out: in[Records](), serve: searchRecords,
			Query: []Parameter{{"q", "string", "words that must all occur"}, {"outcome", "string", "pass, fail, undecided or not judged"}, {"sequence", "string", "file name"},
				{"from", "date-time", "filed at or after"}, {"to", "date-time", "filed before"}, after, limit}},
		{Method: "GET", Path: "/api/records/{id}", Role: access.Viewer, About: "One record without its points.", Out: in[Record](), serve: func(c *call) (any, error) { return result(c.service.Record(c.ctx(), c.path["id"])) }},
		{Method: "GET", Path: "/api/records/{id}/points", Role: access.Viewer, About: "Its points, also while it grows.", Out: in[Points](), serve: servePoints,
			Query: []Parameter{{"after", "integer", "only points with a higher number"}, {"limit", "integer", "how many, 1 to 100000; 10000 where it is left out"}}},
		{Method: "GET", Path: "/api/records/{id}/points.csv", Role: access.Viewer, About: "Its points as a table that a spreadsheet reads as external data.", Media: csv, serve: servePointsFile},
		{Method: "GET", Path: "/api/records/{id}/traces/{name}", Role: access.Viewer, About: "A span of a trace in bins.", Out: in[TraceBins](), serve: serveTrace,
			Query: []Parameter{{"signal", "string", "the first where it is left out"}, {"from", "string", "since the start, as in 12.5 s"}, {"to", "string", "likewise"}, {"bins", "integer", "1 to 10000; 1000 where it is left out"}}},
		{Method: "GET", Path: "/api/records/{id}/report/{file...}", Role: access.Viewer, About: "A file of its reports: report.html, results.xlsx, verdict.junit.xml.", Media: any_, serve: serveReport},
		{Method: "GET", Path: ticketPath + "{ticket}/{file...}", About: "The same behind a ticket, which stands for one record's reports and runs out: where a browser is sent.", Media: any_, serve: ticketed},
		{Method: "POST", Path: "/api/compare", Role: access.Viewer, About: "Compare records, paired by their coordinates.", In: in[Comparing](), Out: in[Comparison](),
			serve: body(func(c *call, q Comparing) (any, error) { return result(c.service.Compare(c.ctx(), q)) })},

		{Method: "GET", Path: "/api/sequences", Role: access.Viewer, About: "The sequences folder.", Out: in[Sequences](), serve: func(c *call) (any, error) { return result(c.service.Sequences(c.ctx())) }},
		{Method: "GET", Path: "/api/sequences/{name...}", Role: access.Viewer, About: "One of its files.", Out: in[Sequence](), serve: func(c *call) (any, error) { return result(c.service.Sequence(c.ctx(), c.path["name"])) }},

		{Method: "GET", Path: "/api/lab", Role: access.Viewer, About: "The benches and hubs that share their work.", Out: in[Lab](), serve: func(c *call) (any, error) { return c.service.Lab(), nil }},
		{Method: "POST", Path: "/api/lab/{bench}/outputs-off", Role: access.Operator, About: "Have a bench of the lab switch every output off now; the answer says so where it does not answer.", Out: in[OffReport](),
			serve: func(c *call) (any, error) { return result(c.service.SwitchOffAt(c.ctx(), c.who, c.path["bench"])) }},

		{Method: "GET", Path: "/api/audit", Role: access.Admin, About: "Who did what, newest first.", Query: []Parameter{limit}, Out: in[AuditLines](), serve: serveAudit},
	}
}
