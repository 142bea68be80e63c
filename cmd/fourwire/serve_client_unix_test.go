//go:build unix

package main

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fourwire/client"
	"fourwire/daemon/api"
	"fourwire/record"
)

// readAll reads what a client was given.
func readAll(t *testing.T, f io.ReadCloser, err error) []byte {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	data, err := io.ReadAll(f)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// The client of the project, with a token and the lab's own certificate: it submits, waits, and reads what the record has. The record says who
// submitted the job and which it was, and its reports do.
func TestClientOfADaemon(t *testing.T) {
	g := startBarred(t)
	connect := func(token string) *client.Client {
		c, err := client.New("https://"+g.host, client.Token(token), client.Roots(g.pool))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(c.Close)
		return c
	}
	c, ctx := connect(g.operator), t.Context()
	if _, err := connect(g.viewer).Submit(ctx, api.Submission{Sequence: "no-load.yaml"}); !errors.Is(err, client.ErrForbidden) {
		t.Errorf("a viewer submits: %v", err)
	}
	_, err := c.Submit(ctx, api.Submission{Sequence: "no-load.yaml", Set: map[string]string{"vin": "12"}})
	var refused *client.Error
	if !errors.As(err, &refused) || !errors.Is(err, client.ErrWrong) || len(refused.Findings()) == 0 {
		t.Errorf("a parameter without a unit: %v", err)
	}
	if _, err := c.Submit(ctx, api.Submission{Sequence: "no-load.yaml", Device: "LB\n0041"}); !errors.Is(err, client.ErrWrong) {
		t.Errorf("a serial number of two lines: %v", err)
	}
	j, err := c.Submit(ctx, api.Submission{Sequence: "no-load.yaml", Device: "LB-0041"})
	if err != nil {
		t.Fatal(err)
	}
	if j, err = c.Wait(ctx, j.ID); err != nil || j.State != api.Done || j.Device != "LB-0041" {
		t.Fatalf("%+v %v", j, err)
	}
	rec, err := c.Record(ctx, j.Record)
	if err != nil || rec.Operator != "operator-1" || rec.Job != j.ID || rec.Device != "LB-0041" {
		t.Errorf("the record is by %q, job %q, of %q, %v; want operator-1, %s, LB-0041", rec.Operator, rec.Job, rec.Device, err, j.ID)
	}
	n := 0
	for p, err := range c.Points(ctx, j.Record, 0) {
		if n++; err != nil || p.N != n {
			t.Fatalf("%+v %v", p, err)
		}
	}
	dir := filepath.Join(g.dir, "records", j.Record)
	kept, err := record.Open(dir)
	if err != nil || len(kept.Rows) != n || kept.Operator != "operator-1" || kept.Job != j.ID || kept.Device != "LB-0041" {
		t.Errorf("%d points of %d; by %q, job %q, of %q; %v", n, len(kept.Rows), kept.Operator, kept.Job, kept.Device, err)
	}
	want, err := os.ReadFile(filepath.Join(dir, record.PointsFile))
	if err != nil {
		t.Fatal(err)
	}
	got, err := c.PointsCSV(ctx, j.Record)
	if !bytes.Equal(readAll(t, got, err), want) {
		t.Error("points.csv is another one")
	}
	report, err := c.Report(ctx, j.Record, "report.html")
	if !bytes.Contains(readAll(t, report, err), []byte("operator-1")) {
		t.Error("the report does not say who ran it")
	}
	for r, err := range c.Records(ctx, client.Search{Words: "operator-1 LB-0041"}) {
		if err != nil || r.ID != j.Record {
			t.Errorf("%+v %v", r, err)
		}
		n = 0
	}
	if n > 0 {
		t.Error("the history is not searched for who ran it")
	}
}

// Who waits for a job goes on waiting when the daemon is killed and started again.
func TestClientOverARestart(t *testing.T) {
	t.Parallel()
	dir := buoyOverSockets(t, "--pace", "max")
	lan := filepath.Join(dir, "lan.yaml")
	d := startDaemon(t, lan)
	c, err := client.New(d.url)
	if err != nil {
		t.Fatal(err)
	}
	j, err := c.Submit(t.Context(), shortSweep)
	if err != nil {
		t.Fatal(err)
	}
	type end struct {
		job api.Job
		err error
	}
	over := make(chan end, 1)
	go func() {
		j, err := c.Wait(t.Context(), j.ID)
		over <- end{j, err}
	}()
	for { // until it watches
		if _, _, text := d.get("/api/metrics"); bytes.Contains(text, []byte("\nfourwire_event_streams 1\n")) {
			break
		}
		pause(t, 5*time.Millisecond)
	}
	d.kill()
	startDaemon(t, lan, "--listen", strings.TrimPrefix(d.url, "http://"))
	if _, err := c.Arm(t.Context(), 0); err != nil {
		t.Fatal(err)
	}
	if e := <-over; e.err != nil || e.job.State != api.Done || e.job.Attempts[0].Record == "" {
		t.Errorf("%+v %v", e.job, e.err)
	}
}
