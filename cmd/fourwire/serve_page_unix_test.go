//go:build unix

package main

import (
	"net/http"
	"strings"
	"testing"

	"fourwire/daemon/api"
)

// What would become of a job is told without taking it in: the same findings, points and time as the submission itself gives.
func TestCheckedBeforehand(t *testing.T) {
	d, _ := simulatedDaemon(t, "buoy")
	var found api.Sequence
	d.ask("POST", "/api/check", api.Submission{Sequence: "efficiency.yaml", Set: map[string]string{"vin": "[9 V, 14 V]"}}, &found, http.StatusOK)
	if found.Fit != "fits" || found.Planned != 40 || found.Predicted <= 0 || len(found.Params[0].Values) != 2 {
		t.Errorf("%+v", found)
	}
	d.ask("POST", "/api/check", api.Submission{Sequence: "efficiency.yaml", Set: map[string]string{"vin": "99 V"}}, &found, http.StatusOK)
	if found.Fit != "wrong" || len(found.Findings) != 1 || !strings.Contains(found.Findings[0].Text, "99 V asked of feed; the guard") {
		t.Errorf("%+v", found)
	}
	d.ask("POST", "/api/check", api.Submission{Sequence: "efficiency.yaml", Priority: 101}, nil, http.StatusUnprocessableEntity)
	var jobs api.Jobs
	d.ask("GET", "/api/jobs", nil, &jobs, http.StatusOK)
	if len(jobs.Jobs) != 0 {
		t.Errorf("checking took a job in: %+v", jobs)
	}
}
