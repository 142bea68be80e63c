package api_test

import (
	"encoding/json"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"fourwire/daemon/api"
)

// What the document does not have is refused, at every address that it has: another method, a parameter or a member that it does not name, a body where it
// has none, another kind of body. Nothing of that reaches the work behind the door, which here breaks when it is called.
func TestWhatIsNotInTheDocumentIsRefused(t *testing.T) {
	web, _, _ := door(t, api.Options{PerSecond: 1e6, Burst: 1e6})
	data, err := json.Marshal(api.OpenAPI(api.Routes()))
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Paths map[string]map[string]struct {
			OperationID string `json:"operationId"`
			RequestBody *struct {
				Content map[string]any
			} `json:"requestBody"`
			Parameters []struct{ Name, In string }
		}
	}
	if err := json.Unmarshal(data, &doc); err != nil {
		t.Fatal(err)
	}
	ask := func(method, at, media, body string) (int, string) {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), method, web.URL+at, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		if media != "" {
			r.Header.Set("Content-Type", media)
		}
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		text, err := io.ReadAll(answer.Body)
		if err != nil {
			t.Fatal(err)
		}
		var p api.Problem
		if kind := answer.Header.Get("Content-Type"); answer.StatusCode >= 400 && method != "HEAD" && (kind != "application/problem+json" || json.Unmarshal(text, &p) != nil || p.Status != answer.StatusCode) {
			t.Errorf("%s %s: the refusal is no problem document: %s %s", method, at, kind, text)
		}
		return answer.StatusCode, string(text)
	}
	n := 0
	refused := func(why, method, at, media, body string, want int) {
		t.Helper()
		n++
		if status, text := ask(method, at, media, body); status != want {
			t.Errorf("%s: %s %s %s gives %d, want %d: %s", why, method, at, body, status, want, text)
		}
	}
	variable := regexp.MustCompile(`\{\w+\}`)
	for path, item := range doc.Paths {
		at := variable.ReplaceAllString(path, "x")
		for _, method := range []string{"GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND"} {
			if _, known := item[strings.ToLower(method)]; !known {
				refused("another method", method, at, "", "", 405)
			}
		}
		for method, op := range item {
			method = strings.ToUpper(method)
			refused("a parameter that is not in the document", method, at+"?no-such=1", "application/json", "{}", 400)
			refused("another path", method, at+"/x/y/z/../w", "application/json", "{}", 404)
			for _, p := range op.Parameters {
				if p.In == "query" {
					refused("a parameter twice", method, at+"?"+p.Name+"=1&"+p.Name+"=2", "application/json", "{}", 400)
				}
			}
			switch {
			case op.RequestBody != nil:
				refused("a member that is not in the document", method, at, "application/json", `{"no-such": 1}`, 400)
				refused("no object", method, at, "application/json", `[]`, 400)
				refused("two values", method, at, "application/json", `{}{}`, 400)
				refused("another kind of body", method, at, "text/plain", `{}`, 415)
				refused("a form, as other pages can send it", method, at, "application/x-www-form-urlencoded", `a=b`, 415)
			case method != "GET":
				refused("a body where there is none", method, at, "application/json", `{"sequence": "x"}`, 400)
			}
		}
	}
	if n < 250 {
		t.Errorf("only %d requests", n)
	}
	for _, at := range []string{"/api", "/api/", "/api//jobs", "/api/jobs/", "/api/Jobs", "/api/jobs/%2e%2e/bench", "/api/jobs/x%2fy", "/api/v2/jobs"} {
		refused("an address that is not in the document", "GET", at, "", "", 404)
	}
}
