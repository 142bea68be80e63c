package html_test

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"fourwire/record"
	"fourwire/report"
	page "fourwire/report/html"
	"fourwire/report/reporttest"
)

var update = flag.Bool("update", false, "write the golden files again")

func makePage(t *testing.T, o reporttest.Options) []byte {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.Write(dir, o); err != nil {
		t.Fatal(err)
	}
	rec, err := record.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	data, err := page.Page(report.New(rec))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// outline is the page without its style: headings, paragraphs, tables row by row, and what pictures hold.
func outline(t *testing.T, data []byte) string {
	t.Helper()
	doc, err := html.Parse(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		switch n.Data {
		case "script", "style":
			return
		case "section", "figure":
			fmt.Fprintf(&b, "\n%s %s\n", n.Data, attr(n, "id"))
		case "svg":
			if attr(n, "class") == "chart" {
				fmt.Fprintf(&b, "picture %s, %d lines, %d marks\n", attr(n, "viewbox"), count(n, "line"), count(n, "mark"))
			}
			return
		case "h1", "h2", "h3", "p", "li", "dt", "dd", "summary", "figcaption", "title":
			fmt.Fprintf(&b, "%s: %s\n", n.Data, text(n))
			if n.Data == "li" && count(n, "swatch") > 0 {
				return
			}
		case "tr":
			var cells []string
			for c := n.FirstChild; c != nil; c = c.NextSibling {
				if c.Type == html.ElementNode {
					cells = append(cells, text(c))
				}
			}
			fmt.Fprintf(&b, "row: %s\n", strings.Join(cells, " | "))
			return
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(doc)
	return b.String()
}

func attr(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if strings.EqualFold(a.Key, name) {
			return a.Val
		}
	}
	return ""
}

func count(n *html.Node, class string) int {
	found := 0
	for d := range n.Descendants() {
		if attr(d, "class") == class {
			found++
		}
	}
	return found
}

func text(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			b.WriteString(d.Data + " ")
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

func TestGoldenOutline(t *testing.T) {
	for name, data := range map[string][]byte{
		"mixed": makePage(t, reporttest.Options{Mixed: true, Points: 5}),
		"drain": buildDrain(t, reporttest.Drain{Seconds: 1000, Gap: true, Points: 6}),
		"whole": buildDrain(t, reporttest.Drain{Seconds: 130, Alone: true, Points: 6}),
	} {
		t.Run(name, func(t *testing.T) { golden(t, name, data) })
	}
}

// buildDrain gives the page of a record with a long trace, as it is made on the disk.
func buildDrain(t *testing.T, o reporttest.Drain) []byte {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "r")
	if err := reporttest.WriteDrain(dir, o); err != nil {
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

func golden(t *testing.T, name string, data []byte) {
	t.Helper()
	got, _, _ := strings.Cut(outline(t, data), "\nsection files\n") // hashes and sizes of files are not the page's
	path := filepath.Join("testdata", name+".outline")
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("run with -update after reading this:\n%s", d)
	}
}

// The budget of a page with 60 points is 400 kB.
func TestPageIsSmallAndStandsAlone(t *testing.T) {
	data := makePage(t, reporttest.Options{Mixed: true})
	t.Logf("60 points: %d bytes", len(data))
	if len(data) > 400_000 {
		t.Errorf("the page has %d bytes", len(data))
	}
	for _, m := range regexp.MustCompile(`(?i)(src|href|url|@import)\s*[=(]\s*["']?([^"'\s)>]+)`).FindAllSubmatch(data, -1) {
		if to := string(m[2]); !strings.HasPrefix(to, "#") && to != "data:," {
			t.Errorf("the page fetches %q", to)
		}
	}
}

// Whatever an instrument or a file says, it is text in the page: no element, attribute or script of it may appear.
func TestHostileTextStaysText(t *testing.T) {
	t.Run("points", func(t *testing.T) {
		textStaysText(t, makePage(t, reporttest.Options{Hostile: true, Mixed: true}), 1, "A & B <i>")
	})
	t.Run("trace", func(t *testing.T) {
		textStaysText(t, buildDrain(t, reporttest.Drain{Hostile: true, Seconds: 100}), 2, "sensing")
	}) // the second holds data
}

func textStaysText(t *testing.T, data []byte, most int, shown string) {
	t.Helper()
	doc, err := html.Parse(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	scripts := 0
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		switch n.Data {
		case "script":
			scripts++
		case "i", "iframe", "img", "object":
			t.Errorf("element %s", n.Data)
		}
		for _, a := range n.Attr {
			if strings.HasPrefix(strings.ToLower(a.Key), "on") {
				t.Errorf("attribute %s of %s", a.Key, n.Data)
			}
		}
	}
	if scripts != most {
		t.Errorf("%d scripts, %d are ours", scripts, most)
	}
	if !strings.Contains(text(doc), "alert(1)") || !strings.Contains(text(doc), shown) {
		t.Error("the hostile texts are lost instead of shown")
	}
}

func TestSameRecordSameBytes(t *testing.T) {
	if a, b := makePage(t, reporttest.Options{Mixed: true}), makePage(t, reporttest.Options{Mixed: true}); !bytes.Equal(a, b) {
		t.Error("the same record made another page")
	}
}

func TestRecordWithAlmostNothingHasAPage(t *testing.T) {
	data, err := page.Page(report.New(&record.Record{}))
	if err != nil {
		t.Fatal(err)
	}
	if o := outline(t, data); !strings.Contains(o, "Nothing was judged") || !strings.Contains(o, "not an emergency stop") {
		t.Errorf("%s", o)
	}
}
