package daemon_test

import (
	"io"
	"net/http"
	"strings"
	"testing"

	"fourwire/daemon/api"
)

// Metrics come in the text format 0.0.4 of Prometheus whatever is asked for, and count what happened.
func TestMetrics(t *testing.T) {
	t.Parallel()
	h := open(t, house{})
	h.until(h.submit("psu", "exit 1", api.Submission{}), in(api.Done))
	h.until(h.submit("psu", "exit 3", api.Submission{}), in(api.Failed))
	h.submit("psu", "exit 0", api.Submission{Every: "1 h", At: h.clock.Now().AddDate(0, 0, 1)})
	r, err := http.NewRequestWithContext(t.Context(), "GET", h.url+"/api/metrics", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Accept", "application/vnd.google.protobuf;proto=io.prometheus.client.MetricFamily;encoding=delimited, application/openmetrics-text")
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil || !strings.HasPrefix(answer.Header.Get("Content-Type"), "text/plain; version=0.0.4") {
		t.Errorf("%s %v", answer.Header.Get("Content-Type"), err)
	}
	for _, want := range []string{"fourwire_jobs_submitted_total 3", `fourwire_jobs_ended_total{outcome="",state="done"} 1`, `fourwire_jobs_ended_total{outcome="",state="failed"} 1`,
		"fourwire_jobs_scheduled 1", "fourwire_jobs_running 0", "fourwire_bench_armed 1", "fourwire_outputs_on 0", "fourwire_run_seconds_count 2", `fourwire_instrument_calibration_overdue{instrument="load"} 0`} {
		if !strings.Contains(string(text), "\n"+want+"\n") {
			t.Errorf("there is no %s in\n%s", want, text)
		}
	}
}
