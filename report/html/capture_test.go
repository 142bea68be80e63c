package html_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"fourwire/report"
	page "fourwire/report/html"
	"fourwire/report/reporttest"
)

func capturePage(t *testing.T, hostile bool) []byte {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteCapture(dir, hostile); err != nil {
		t.Fatal(err)
	}
	if err := report.Build(dir, page.Form()); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(dir, report.PageFile))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// A capture shows its figures with their uncertainty, what is missing with its reason, bandwidths, and two pictures: the whole, and the droop closer, in which
// the event is at zero.
func TestCaptureOnAPage(t *testing.T) {
	doc, err := html.Parse(bytes.NewReader(capturePage(t, false)))
	if err != nil {
		t.Fatal(err)
	}
	all := text(doc)
	for _, want := range []string{"(64.7 ± 2.1) mV", "none: it never comes back", "100 kHz", "not stated", "not seen", "30 mΩ of leads taken off", "up to 5 µs",
		"times from 50 % of io", "Closer: transient of vo", "time from the event [µs]", "Events that did not come", "did not come about within 2 s", "the event is at 1 ms"} {
		if !strings.Contains(all, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	pictures := 0
	for n := range doc.Descendants() {
		if n.Type == html.ElementNode && n.Data == "svg" && strings.Contains(attr(n, "aria-label"), "edge") {
			pictures++
		}
	}
	if pictures != 2 { // wide and narrow
		t.Errorf("%d pictures of the whole", pictures)
	}
}

func TestHostileCaptureStaysText(t *testing.T) {
	textStaysText(t, capturePage(t, true), 2, "it never comes back")
}
