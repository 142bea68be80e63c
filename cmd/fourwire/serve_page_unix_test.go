//go:build unix

package main

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"

	"fourwire/daemon/access"
	"fourwire/daemon/api"
)

// What would become of a job is told without taking it in: the same findings, points and time as the submission itself gives.
func TestCheckedBeforehand(t *testing.T) {
	d, dir := simulatedDaemon(t, "buoy")
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
	t.Run("time so far", func(t *testing.T) { timeSoFar(t, d, dir) })
}

// While a run goes on, and where it was cut off, its log tells where the time went so far: shares of what the whole account has at the end.
func timeSoFar(t *testing.T, d *daemonProcess, dir string) {
	id := d.until(d.submit(api.Submission{Sequence: "load-regulation.yaml", NoHookup: true}), over).Record
	account := func() (list []api.LedgerLine, whole float64) {
		var r api.Record
		d.ask("GET", "/api/records/"+id, nil, &r, http.StatusOK)
		for _, l := range r.Ledger {
			whole += l.Seconds
		}
		return r.Ledger, whole
	}
	atEnd, whole := account()
	if err := os.Remove(filepath.Join(dir, "records", id, "ledger.json")); err != nil {
		t.Fatal(err)
	}
	soFar, part := account()
	if part < 2 || part > whole || len(soFar) == 0 {
		t.Fatalf("%g s of %g s: %+v", part, whole, soFar)
	}
	for _, l := range soFar {
		if at := slices.IndexFunc(atEnd, func(e api.LedgerLine) bool { return e.Kind == l.Kind && e.Seconds >= l.Seconds }); at < 0 {
			t.Errorf("%s took %g s so far, and at the end %+v", l.Kind, l.Seconds, atEnd)
		}
	}
}

// The page of a daemon in a browser, as somebody at the bench uses it: a run with another input voltage is submitted and watched while its curve grows, stopped,
// held against another one, and the switch is used.
func TestPage(t *testing.T) {
	b := openBrowser(t)
	t.Run("at the bench", func(t *testing.T) { b.t = t; pageAtTheBench(t, b) })
	t.Run("sign in", func(t *testing.T) { b.t = t; pageSignsIn(t, b) })
}

func pageAtTheBench(t *testing.T, b *browserPage) {
	events := filepath.Join(t.TempDir(), "events.jsonl")
	dir := buoyOverSockets(t, "--pace", "2", "--events", events)
	d := startDaemon(t, filepath.Join(dir, "lan.yaml"), "--armed")
	b.size(1280, "light")
	b.open(d.url + "/#/new/efficiency.yaml")
	b.until(`document.getElementById("forecast")?.textContent.includes("60 points")`)

	b.typeInto("set-vin", "9 V, 99 V")
	b.until(`document.getElementById("set-vin-wrong").textContent.startsWith("99 V asked of feed; the guard of dut.in allows ..18 V")`)
	b.typeInto("set-vin", "9 V, 14 V")
	b.typeInto("set-iout", "50 mA to 3 A, 8 points, log")
	b.until(`document.getElementById("forecast").textContent.includes("16 points") && !document.getElementById("set-vin-wrong").textContent`)
	b.do(`document.getElementById("no_hookup").click()`)
	b.do(`document.getElementById("send").click()`)
	b.until(`location.hash.startsWith("#/job/")`)
	first := b.ask(`location.hash.slice(6)`)
	b.do(`window.lengths = new Set(); new MutationObserver(() => window.lengths.add(document.querySelectorAll("figure:first-of-type svg.chart .mark").length)).observe(document.getElementById("main"), {subtree: true, childList: true})`)
	b.until(`document.querySelector(".above .verdict")?.textContent.includes("pass")`)
	b.until(`document.querySelectorAll("figure:first-of-type svg.chart .mark").length === 16`)
	if grown := b.ask(`[...window.lengths].filter(n => n > 0).join()`); !strings.Contains(grown, ",") {
		t.Errorf("the curve was seen at these lengths: %s; it does not grow", grown)
	}
	if got := b.ask(`[...document.querySelectorAll(".facts div")].find(d => d.textContent.startsWith("efficiency")).querySelector("dd").textContent`); !strings.HasPrefix(got, "(91.") || !strings.HasSuffix(got, ") %") {
		t.Errorf("the last efficiency is %q", got)
	}
	b.do(`document.querySelector(".plot").focus()`)
	b.press(kb.ArrowRight + kb.ArrowRight + kb.ArrowDown)
	if got := b.ask(`document.querySelector(".plot + .read").textContent`); !strings.HasPrefix(got, "vin = 14 V, io: ") || !strings.HasSuffix(got, "point 10") {
		t.Errorf("two steps right and one down read out %q", got)
	}

	again := d.until(d.submit(api.Submission{Sequence: "efficiency.yaml", NoHookup: true, Set: map[string]string{"vin": "[9 V, 14 V]", "iout": "{from: 50 mA, to: 3 A, points: 8, spacing: log}"}}), over)
	b.open(d.url + "/#/history")
	b.until(`document.querySelectorAll(".pick input").length === 2`)
	b.do(`for (const box of document.querySelectorAll(".pick input")) box.click()`)
	b.do(`[...document.querySelectorAll("#main a")].find(a => a.textContent === "Compare").click()`)
	b.until(`document.querySelectorAll(".compared tbody tr").length === 8 && document.querySelectorAll("svg.chart .mark").length === 16`)
	judged := b.ask(`[...document.querySelectorAll(".compared tbody tr")].map(r => r.cells[0].firstChild.textContent + ": " + r.cells[1].textContent).join("\n")`)
	var compared api.Comparison
	d.ask("POST", "/api/compare", api.Comparing{Records: []string{d.job(first).Record, again.Record}}, &compared, http.StatusOK)
	for _, c := range compared.Compared {
		if !strings.Contains(judged, c.Column.Name+": ") || !strings.Contains(judged, c.Judgement) {
			t.Errorf("%s is %s, and the page says\n%s", c.Column.Name, c.Judgement, judged)
		}
	}

	views := []string{"#/", "#/new/efficiency.yaml", "#/queue", "#/history", "#/job/" + first, "#/record/" + again.Record, "#/compare/" + d.job(first).Record + "," + again.Record, "#/drift/" + again.Record}
	for width, scheme := range map[int64]string{1280: "light", 390: "dark"} {
		b.size(width, scheme)
		for _, view := range views {
			b.turn(view)
			b.accessible(fmt.Sprintf("%s at %d, %s", view, width, scheme))
		}
	}
	b.size(1280, "light")
	b.turn("#/")
	b.until(`document.querySelector(".node dd")`)
	if got := b.ask(`document.querySelector(".node dd").textContent`); !strings.HasPrefix(got, "(14.00") {
		t.Errorf("last known at dut.in: %q", got)
	}
	b.scripts()

	long := api.Submission{Sequence: "efficiency.yaml", NoHookup: true, Set: map[string]string{"iout": "{from: 50 mA, to: 3 A, points: 60, spacing: log}"}}
	id := d.submit(long)
	b.open(d.url + "/#/job/" + id)
	b.until(`document.querySelectorAll("svg.chart .mark").length > 0`)
	b.do(`window.stop = [...document.querySelectorAll("#main button")].find(x => x.textContent === "Stop"); stop.focus(); window.marks = document.querySelectorAll("svg.chart .mark").length`)
	b.until(`document.querySelectorAll("svg.chart .mark").length > window.marks`)
	if !evaluate[bool](b, `document.activeElement === stop`) {
		t.Error("what was drawn anew has lost the focus")
	}
	b.do(`stop.click()`)
	b.until(`document.querySelector(".above .verdict").textContent === "cancelled"`)
	mustBeOff(t, events, "after Stop")
	b.mustBeCalm()

	b.block(d.url + "/api/events*") // the switch works without the live view
	id = d.submit(long)
	d.until(id, func(j api.Job) bool { return j.Points > 0 })
	b.open(d.url + "/#/queue")
	b.press(kb.Tab)
	if got := b.ask(`document.activeElement.id`); got != "off" {
		t.Errorf("the first key goes to %q", got)
	}
	b.press(kb.Enter)
	b.until(`document.getElementById("off-said").textContent.includes("Off, verified")`)
	said := b.ask(`document.getElementById("off-said").getAttribute("role") + " " + document.getElementById("off-said").innerText`)
	for _, want := range []string{"alert", "feed-psu off after", "sink off after", "dut.in", "discharged", "Stopped: Buoy 5 V converter, efficiency", "disarmed"} {
		if !strings.Contains(said, want) {
			t.Errorf("the switch says %q, without %q", said, want)
		}
	}
	mustBeOff(t, events, "after the switch")
	b.until(`document.getElementById("link").textContent.includes("live view is broken off")`)
	d.kill()
	b.until(`document.getElementById("link").textContent.includes("has not answered since") && document.getElementById("outputs").textContent.startsWith("Outputs not known")`)
	b.press(kb.Enter)
	b.until(`document.getElementById("off-said").textContent.includes("Nothing is known of the outputs")`)
}

// Where tokens are wanted the page asks for one, and what a viewer may not do is told to be so.
func pageSignsIn(t *testing.T, b *browserPage) {
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Join("..", "..", "examples", "buoy"))); err != nil {
		t.Fatal(err)
	}
	tokens := filepath.Join(dir, "tokens.txt")
	viewer, line, err := access.NewToken("vera", access.Viewer)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(tokens, []byte(line+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	d := startDaemon(t, filepath.Join(dir, "bench.yaml"))
	captured := d.until(d.submit(api.Submission{Sequence: "load-transient.yaml", NoHookup: true, Set: map[string]string{"vin": "12 V"}}), over).Record
	d.kill()
	d = startDaemon(t, filepath.Join(dir, "bench.yaml"), "--tokens", tokens)
	b.open(d.url + "/#/new/efficiency.yaml")
	b.until(`document.activeElement.id === "token"`)
	b.typeInto("token", "wrong")
	b.press(kb.Enter)
	b.until(`document.querySelector("#sign-in .wrong").textContent === "This token is not known here."`)
	b.typeInto("token", viewer)
	b.press(kb.Enter)
	b.until(`document.getElementById("send")?.getAttribute("aria-disabled") === "true" && document.getElementById("who").textContent.startsWith("vera, viewer")`)
	if got := b.ask(`document.getElementById("send-why").textContent + document.getElementById("off-about").textContent`); strings.Count(got, "vera is a viewer; this takes an operator") != 2 {
		t.Errorf("a viewer is told %q", got)
	}
	b.do(`document.getElementById("off").click()`)
	b.until(`document.getElementById("off-said").textContent.startsWith("Not done: vera is a viewer")`)

	name := b.ask(fmt.Sprintf(`fetch("/api/records/%s").then(a => a.json()).then(r => r.traces[0].name)`, captured))
	b.turn("#/trace/" + captured + "/" + name)
	b.until(`(v => v && v.dataset.waiting === "0")(document.querySelector(".viewer"))`)
	b.accessible("a trace")
	b.do(`document.querySelector(".stage").focus()`)
	b.press("+++a" + kb.ArrowRight + kb.ArrowRight + "b")
	b.until(`(d => d.samples === "1" && d.waiting === "0" && d.charge !== "0")(document.querySelector(".viewer").dataset)`)
	// What lies between the cursors is what the daemon says of that span: its sum over samples is exact.
	if bad := b.ask(fmt.Sprintf(`(async () => {
		const v = document.querySelector(".viewer"), [from, to] = [...document.querySelectorAll(".handle")].map(h => Number(h.getAttribute("aria-valuenow"))).sort((a, b) => a - b);
		const r = await fetch("/api/records/%[1]s").then(a => a.json()), t = r.traces[0], s = (t.signals.find(s => s.unit === "A") || t.signals[0]).name, at = n => Number((n * t.interval_s).toPrecision(15)) + " s";
		const span = await fetch("/api/records/%[1]s/traces/" + t.name + "?bins=1&signal=" + s + "&from=" + encodeURIComponent(at(from)) + "&to=" + encodeURIComponent(at(to))).then(a => a.json());
		return to > from && Math.abs(v.dataset.charge - span.integral) <= 1e-12 * Math.abs(span.integral) ? "" : JSON.stringify([from, to, v.dataset.charge, span]);
	})()`, captured)); bad != "" {
		t.Errorf("between the cursors: %s", bad)
	}
}
