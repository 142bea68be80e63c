package web_test

import (
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"fourwire/daemon/web"
	"fourwire/report/chart"
)

func get(t *testing.T, method, path, tag string) *http.Response {
	t.Helper()
	r := httptest.NewRequest(method, path, nil)
	if tag != "" {
		r.Header.Set("If-None-Match", tag)
	}
	w := httptest.NewRecorder()
	web.Handler().ServeHTTP(w, r)
	return w.Result()
}

// RFC 9110, 8.8.3 and 13.1.2: a tag that still fits is answered without the content.
func TestFilesOfThePage(t *testing.T) {
	err := filepath.WalkDir("assets", func(name string, e os.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		at := strings.TrimPrefix(filepath.ToSlash(name), "assets")
		if at == "/index.html" {
			at = "/"
		}
		a := get(t, "GET", at, "")
		h := a.Header
		if a.StatusCode != http.StatusOK || h.Get("Cache-Control") != "no-cache" || h.Get("ETag") == "" {
			t.Errorf("%s: %d %v", at, a.StatusCode, h)
		}
		want := map[string]string{".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}[filepath.Ext(name)]
		if got := h.Get("Content-Type"); want == "" || !strings.HasPrefix(got, want) {
			t.Errorf("%s is %q, want %q", at, got, want)
		}
		if again := get(t, "GET", at, h.Get("ETag")); again.StatusCode != http.StatusNotModified {
			t.Errorf("%s with its tag: %d", at, again.StatusCode)
		}
		if head := get(t, "HEAD", at, ""); head.StatusCode != http.StatusOK || head.Header.Get("ETag") != h.Get("ETag") {
			t.Errorf("HEAD %s: %d", at, head.StatusCode)
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

func TestNothingElse(t *testing.T) {
	for _, path := range []string{"/index.html", "/assets", "/assets/", "/assets/index.html", "/nothing", "/../web.go", "/web.go", "/page.css/", "//", "/.", "/js/", "/js"} {
		if a := get(t, "GET", path, ""); a.StatusCode != http.StatusNotFound {
			t.Errorf("%s: %d", path, a.StatusCode)
		}
	}
}

// The content security policy of the daemon allows neither scripts nor styles in the markup, and nothing may come from elsewhere.
func TestMarkupIsPlain(t *testing.T) {
	data, err := os.ReadFile("assets/index.html")
	if err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{`<style`, ` style="`, `<script>`, ` on[a-z]+="`, `https?://`, `src="//`} {
		if found := regexp.MustCompile(bad).Find(data); found != nil {
			t.Errorf("index.html has %q", found)
		}
	}
	scripts, err := filepath.Glob("assets/*.js")
	if err != nil || len(scripts) < 5 {
		t.Fatal(scripts, err)
	}
	for _, name := range scripts {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, bad := range []string{`innerHTML`, `insertAdjacentHTML`, `document\.write`, `\beval\(`, `new Function`, `setAttribute\("style"`, `["'\x60]https?://(?:[^w]|w[^w])`} {
			if found := regexp.MustCompile(bad).Find(text); found != nil {
				t.Errorf("%s has %q: what comes from the API is text", name, found)
			}
		}
	}
}

// The page and the reports are one house: the same colours by the same names.
func TestColoursAreThoseOfReports(t *testing.T) {
	own, err := os.ReadFile("assets/page.css")
	if err != nil {
		t.Fatal(err)
	}
	reports, err := os.ReadFile("../../report/html/page.css")
	if err != nil {
		t.Fatal(err)
	}
	property := regexp.MustCompile(`--[a-z-]+:#[0-9a-f]+`)
	there := map[string]bool{}
	for _, p := range regexp.MustCompile(`--[a-z0-9-]+:#[0-9a-f]+`).FindAllString(string(own), -1) {
		there[p] = true
	}
	wanted := property.FindAllString(string(reports), -1)
	for _, s := range chart.Styles() {
		n := string(rune('0' + s.Number))
		wanted = append(wanted, "--line-"+n+":"+s.Light, "--line-"+n+":"+s.Dark)
	}
	if len(wanted) < 30 {
		t.Fatalf("only %d colours found in the reports", len(wanted))
	}
	for _, p := range wanted {
		if !there[p] {
			t.Errorf("page.css has not %s", p)
		}
	}
}
