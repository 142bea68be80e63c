//go:build unix

package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"fourwire/daemon/api"
)

// linksAllowed are the settings of a user who trusts a folder, so that documents in it refresh their links without being asked.
const linksAllowed = `<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry">
<item oor:path="/org.openoffice.Office.Calc/Content/Update"><prop oor:name="Link" oor:op="fuse"><value>0</value></prop></item>
<item oor:path="/org.openoffice.Office.Common/Security/Scripting"><prop oor:name="SecureURL" oor:op="fuse"><value><it>file://%s</it></value></prop></item>
</oor:items>`

// refreshed opens a document in LibreOffice, which refreshes its links, and gives its tabs.
func refreshed(t *testing.T, document string) map[string][][]any {
	t.Helper()
	office, err := exec.LookPath("soffice")
	if err != nil {
		t.Skip("soffice is not installed: no spreadsheet reads the points")
	}
	python := "/usr/bin/python3" // the one that Debian's python3-uno is for
	if err := exec.Command(python, "-c", "import uno").Run(); err != nil {
		t.Skip("python3-uno is not installed: nobody can tell the spreadsheet to refresh its links")
	}
	profile := t.TempDir()
	if err := os.MkdirAll(filepath.Join(profile, "user"), 0o700); err != nil {
		t.Fatal(err)
	}
	settings := fmt.Sprintf(linksAllowed, filepath.Dir(document))
	if err := os.WriteFile(filepath.Join(profile, "user", "registrymodifications.xcu"), []byte(settings), 0o600); err != nil {
		t.Fatal(err)
	}
	pipe := fmt.Sprintf("fourwire-%d", os.Getpid())
	o := exec.Command(office, "-env:UserInstallation=file://"+profile, "--headless", "--norestore", "--accept=pipe,name="+pipe+";urp")
	o.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // a script, which starts the program
	if err := o.Start(); err != nil {
		t.Fatal(err)
	}
	gone := make(chan error, 1)
	go func() { gone <- o.Wait() }()
	t.Cleanup(func() {
		select {
		case <-gone: // it was told to end
		case <-time.After(10 * time.Second):
			_ = syscall.Kill(-o.Process.Pid, syscall.SIGKILL)
		}
	})
	c := exec.CommandContext(t.Context(), python, filepath.Join("testdata", "office", "refresh.py"), pipe, document)
	c.Stderr = os.Stderr
	out, err := c.Output()
	if err != nil {
		t.Fatalf("refresh.py: %v\n%s", err, out)
	}
	var tabs map[string][][]any
	if err := json.Unmarshal(out, &tabs); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return tabs
}

// The example document, opened in LibreOffice, shows the points of a record that a daemon serves, and the figures that its formulas make of
// them are those that follow from the record. (A password is asked for in a dialogue, which nobody answers here.)
func TestSpreadsheetReadsPoints(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("starts a daemon and a spreadsheet")
	}
	d, _ := simulatedDaemon(t, "buoy")
	job := d.until(d.submit(api.Submission{Sequence: "efficiency.yaml", Set: map[string]string{"vin": "[9 V, 12 V]", "iout": "{from: 50 mA, to: 3 A, points: 5, spacing: log}"}}), over)
	status, _, body := d.get("/api/records/" + job.Record + "/points.csv")
	if status != http.StatusOK {
		t.Fatalf("status %d\n%s", status, body)
	}
	record, err := csv.NewReader(strings.NewReader(string(body))).ReadAll()
	if err != nil || len(record) != 11 {
		t.Fatalf("%d lines, %v", len(record), err)
	}

	document, err := os.ReadFile(filepath.Join("..", "..", "examples", "spreadsheet", "efficiency.fods"))
	if err != nil {
		t.Fatal(err)
	}
	const there = "http://127.0.0.1:8460/api/records/RECORD/points.csv"
	if n := strings.Count(string(document), there); n != 1 {
		t.Fatalf("the example names %s %d times", there, n)
	}
	mine := filepath.Join(t.TempDir(), "efficiency.fods")
	if err := os.WriteFile(mine, []byte(strings.Replace(string(document), there, d.url+"/api/records/"+job.Record+"/points.csv", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	tabs := refreshed(t, mine)
	points := tabs["Points"]
	if len(points) != len(record) {
		t.Fatalf("the spreadsheet shows %d lines, the record has %d", len(points), len(record))
	}
	for i, line := range record {
		for j, want := range line {
			got := points[i][j]
			x, err := strconv.ParseFloat(want, 64)
			y, number := got.(float64)
			switch {
			case err == nil && (!number || math.Abs(x-y) > 1e-12*math.Abs(x)), err != nil && got != want:
				t.Errorf("line %d, %s: %v, the record has %s", i+1, record[0][j], got, want)
			}
		}
	}
	column := map[string]int{}
	for j, head := range record[0] {
		column[head] = j
	}
	best, least, pin, pout := 0.0, 1.0, 0.0, 0.0
	for _, line := range record[1:] {
		x := func(head string) float64 {
			v, err := strconv.ParseFloat(line[column[head]], 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		best, least = max(best, x("efficiency [1]")), min(least, x("efficiency [1]"))
		pin, pout = pin+x("pin [W]"), pout+x("pout [W]")
	}
	want := map[string]float64{"points": 10, "of them not ok": 0, "best efficiency": best, "least efficiency": least, "mean efficiency, by power": pout / pin}
	for _, row := range tabs["Efficiency"] {
		name, _ := row[0].(string)
		if w, ok := want[name]; ok {
			if got, ok := row[1].(float64); !ok || math.Abs(got-w) > 1e-12 {
				t.Errorf("%s: %v, from the record %v", name, row[1], w)
			}
			delete(want, name)
		}
	}
	if len(want) > 0 {
		t.Errorf("the tab Efficiency says nothing of %v", want)
	}
}
