//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"fourwire/daemon/api"
	"fourwire/record"
)

// simulatedDaemon is a daemon of the simulated example bench, with its examples as sequences.
func simulatedDaemon(t *testing.T, example string, args ...string) (*daemonProcess, string) {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Join("..", "..", "examples", example))); err != nil {
		t.Fatal(err)
	}
	return startDaemon(t, filepath.Join(dir, "bench.yaml"), args...), dir
}

// get gives the status, the headers and the body of an answer.
func (d *daemonProcess) get(path string, headers ...string) (int, http.Header, []byte) {
	d.t.Helper()
	r, err := http.NewRequestWithContext(d.t.Context(), "GET", d.url+path, nil)
	if err != nil {
		d.t.Fatal(err)
	}
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		r.Header.Set(name, value)
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		d.t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		d.t.Fatal(err)
	}
	return answer.StatusCode, answer.Header, body
}

// The answers of a daemon are what its own document says: each is held against the schema of its route.
func TestAnswersMatchTheirDocument(t *testing.T) {
	t.Parallel()
	d, _ := simulatedDaemon(t, "buoy")
	first := d.until(d.submit(api.Submission{Sequence: "load-regulation.yaml"}), over)
	second := d.until(d.submit(api.Submission{Sequence: "load-regulation.yaml", Set: map[string]string{"vin": "14 V"}}), over)
	_, _, text := d.get("/api/openapi.json")
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("mem:api", doc); err != nil {
		t.Fatal(err)
	}
	check := func(path string, body []byte, pointer string) {
		t.Helper()
		schema, err := c.Compile("mem:api#" + pointer)
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
		if err != nil {
			t.Fatalf("%s: %v\n%s", path, err, body)
		}
		if err := schema.Validate(v); err != nil {
			t.Errorf("%s: %v\n%.1000s", path, err, body)
		}
	}
	n := 0
	for _, r := range api.Routes() {
		if r.Method != "GET" || r.Out == nil {
			continue
		}
		path := strings.NewReplacer("/jobs/{id}", "/jobs/"+first.ID, "{id}", first.Record, "{name...}", "efficiency.yaml", "{name}", "none").Replace(r.Path)
		status, _, body := d.get(path)
		if status == 404 && strings.Contains(r.Path, "traces") { // this record has none
			check(path, body, "/components/schemas/Problem")
			continue
		}
		if status != 200 {
			t.Errorf("%s: %d %s", path, status, body)
			continue
		}
		n++
		check(path, body, "/components/schemas/"+r.Out.Name())
	}
	if n < 11 {
		t.Errorf("only %d routes were held against their schemas", n)
	}
	for _, e := range d.watch("none", func(e api.Event) bool { return e.Kind == "reset" }) {
		data, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		check("event", data, "/components/schemas/Event")
	}
	var compared api.Comparison
	d.ask("POST", "/api/compare", api.Comparing{Records: []string{first.Record, second.Record}}, &compared, http.StatusOK)
	data, err := json.Marshal(compared)
	if err != nil {
		t.Fatal(err)
	}
	check("compare", data, "/components/schemas/Comparison")
	status, _, body := d.get("/api/jobs/none")
	if status != 404 {
		t.Error(status)
	}
	check("problem", body, "/components/schemas/Problem")
}

// The points have an address that a spreadsheet can keep: the file of the record, byte by byte, in parts, and not again where it has not changed.
func TestPointsAddress(t *testing.T) {
	t.Parallel()
	d, dir := simulatedDaemon(t, "buoy")
	j := d.until(d.submit(api.Submission{Sequence: "load-regulation.yaml"}), over)
	want, err := os.ReadFile(filepath.Join(dir, "records", j.Record, record.PointsFile))
	if err != nil {
		t.Fatal(err)
	}
	path := "/api/records/" + j.Record + "/points.csv"
	status, h, body := d.get(path)
	if status != 200 || !bytes.Equal(body, want) || !strings.HasPrefix(h.Get("Content-Type"), "text/csv") {
		t.Errorf("%d %v", status, h)
	}
	if status, _, body := d.get(path, "If-None-Match: "+h.Get("ETag")); status != 304 || len(body) > 0 {
		t.Errorf("not changed: %d", status)
	}
	if status, _, body := d.get(path, "Range: bytes=0-9"); status != 206 || !bytes.Equal(body, want[:10]) {
		t.Errorf("a part: %d %q", status, body)
	}
	status, h, body = d.get("/api/records/" + j.Record + "/report/report.html")
	if policy := h.Get("Content-Security-Policy"); status != 200 || !bytes.Contains(body, []byte("<svg")) || !strings.Contains(policy, "sandbox allow-scripts") || strings.Contains(policy, "connect-src 'self'") {
		t.Errorf("the report: %d %q", status, policy)
	}
	// a browser is sent to an address with a ticket; that gives the reports of this record and nothing else
	status, _, body = d.get("/api/records/"+j.Record+"/report/report.html", "Sec-Fetch-Dest: iframe", "Sec-Fetch-Site: same-origin", "Sec-Fetch-Mode: navigate")
	if status != 200 || !bytes.Contains(body, []byte("<svg")) {
		t.Errorf("behind a ticket: %d", status)
	}
	if status, _, _ := d.get("/api/reports/AAAAAAAAAAAAAAAAAAAAAAAAAA/report.html"); status != 404 {
		t.Errorf("a ticket that nobody gave: %d", status)
	}
	if status, _, _ := d.get("/api/records/" + j.Record + "/report/" + record.WireFile); status != 404 {
		t.Errorf("what is no report: %d", status)
	}
	// the index can be thrown away: it is made from the folder again
	d.kill()
	if err := os.Remove(filepath.Join(dir, "records", ".state", "index.sqlite")); err != nil {
		t.Fatal(err)
	}
	d = startDaemon(t, filepath.Join(dir, "bench.yaml"))
	for {
		var found api.Records
		d.ask("GET", "/api/records?q=load+regul", nil, &found, http.StatusOK)
		if found.Total == 1 && found.Records[0].ID == j.Record && found.Records[0].Points == 7 {
			break
		}
		pause(t, 20*time.Millisecond)
	}
}

// A span of a trace says what "fourwire zoom" says of it, which goes another way through the files.
func TestTraceBins(t *testing.T) {
	t.Parallel()
	d, dir := simulatedDaemon(t, "beacon")
	j := d.until(d.submit(api.Submission{Sequence: "firmware.yaml", Set: map[string]string{"time": "3 min"}}), over)
	if j.State != api.Done {
		t.Fatalf("%+v", j)
	}
	var bins api.TraceBins
	d.ask("GET", "/api/records/"+j.Record+"/traces/firmware_a?from=60+s&to=120+s&bins=50&signal=i", nil, &bins, http.StatusOK)
	said, err := command(t, "zoom", "--json", filepath.Join(dir, "records", j.Record), "firmware_a", "--from", "60 s", "--to", "120 s", "--bins", "50").Output()
	if err != nil {
		t.Fatal(err)
	}
	var want zoomDocument
	if err := json.Unmarshal(said, &want); err != nil {
		t.Fatal(err)
	}
	signal := want.Signals[0]
	if len(bins.T) != len(signal.Bins) || bins.From != 60 || bins.To != 120 || *bins.Sum != signal.Whole.Integral {
		t.Fatalf("%d bins from %v to %v, integral %v; zoom says %d, %v", len(bins.T), bins.From, bins.To, *bins.Sum, len(signal.Bins), signal.Whole.Integral)
	}
	for i, b := range signal.Bins {
		if bins.T[i] != b.From || *bins.Max[i] != *b.Max || *bins.Mean[i] != *b.Mean || bins.Count[i] != b.Samples {
			t.Errorf("bin %d: %v %v %v %v, zoom says %+v", i, bins.T[i], *bins.Max[i], *bins.Mean[i], bins.Count[i], b)
		}
	}
	for query, want := range map[string]int{"?from=60": 400, "?from=60+V": 400, "?from=60+s&to=50+s": 400, "?to=2+h": 400, "?bins=0": 400, "?signal=x": 404} {
		if status, _, body := d.get("/api/records/" + j.Record + "/traces/firmware_a" + query); status != want {
			t.Errorf("%s: %d, want %d: %s", query, status, want, body)
		}
	}
	if status, _, _ := d.get("/api/records/" + j.Record + "/traces/..%5c..%5cpoints"); status != 404 {
		t.Errorf("a path for a trace: %d", status)
	}
}
