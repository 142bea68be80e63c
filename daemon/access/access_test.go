package access_test

import (
	"errors"
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fourwire/daemon/access"
	"fourwire/internal/clock"
)

func ExampleNewToken() {
	text, line, err := access.NewToken("ada", access.Operator)
	fmt.Println(len(text), strings.HasPrefix(line, "ada operator "), strings.Contains(line, text[12:]), err)
	_, _, err = access.NewToken("no spaces", access.Viewer)
	fmt.Println(err)
	// Output:
	// 55 true false <nil>
	// "no spaces": a name is 1 to 60 letters, digits and signs without spaces or #
}

func write(t *testing.T, file string, lines ...string) {
	t.Helper()
	if err := os.WriteFile(file, []byte(strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
}

// A token that is deleted from the file, or added to it, counts at once.
func TestTokensFollowTheirFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "tokens")
	ada, adaLine, err := access.NewToken("ada", access.Operator)
	if err != nil {
		t.Fatal(err)
	}
	bo, boLine, err := access.NewToken("bo", access.Viewer)
	if err != nil {
		t.Fatal(err)
	}
	write(t, file, "# people", adaLine)
	tokens, err := access.OpenTokens(file)
	if err != nil {
		t.Fatal(err)
	}
	if who, err := tokens.Find(ada); err != nil || who.Name != "ada" || who.Role != access.Operator {
		t.Errorf("%+v %v", who, err)
	}
	if _, err := tokens.Find(bo); !errors.Is(err, access.ErrToken) {
		t.Error(err)
	}
	write(t, file, boLine, "# ada has left us")
	if who, err := tokens.Find(bo); err != nil || who.Role != access.Viewer {
		t.Errorf("%+v %v", who, err)
	}
	if _, err := tokens.Find(ada); !errors.Is(err, access.ErrToken) {
		t.Error("a token that was deleted still counts")
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	if _, err := tokens.Find(bo); err == nil {
		t.Error("without its file a token still counts")
	}
}

// A text that is no token is never one: whatever is changed in a token, nobody is let in.
func FuzzTokens(f *testing.F) {
	text, line, err := access.NewToken("ada", access.Admin)
	if err != nil {
		f.Fatal(err)
	}
	file := filepath.Join(f.TempDir(), "tokens")
	if err := os.WriteFile(file, []byte(line+"\n"), 0o600); err != nil {
		f.Fatal(err)
	}
	tokens, err := access.OpenTokens(file)
	if err != nil {
		f.Fatal(err)
	}
	for _, s := range []string{text, text + " ", text[:20], strings.ToUpper(text), "fw..", "", "fw.", text[:11] + "." + text[11:], strings.Fields(line)[2], strings.Fields(line)[3]} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		who, err := tokens.Find(s)
		if (err == nil) != (s == text) || err != nil && who.Role != access.Nobody {
			t.Errorf("%q: %+v %v", s, who, err)
		}
	})
}

// Names that a daemon on this computer has, and others. Rebinding of names: common knowledge of web security, no single source.
func TestHost(t *testing.T) {
	door := access.Door{Hosts: []string{"bench.example", "10.0.0.7"}}
	for host, want := range map[string]bool{
		"127.0.0.1:8460": true, "localhost:8460": true, "LOCALHOST": true, "[::1]:8460": true, "127.9.9.9": true, "bench.example": true, "bench.example.:443": true, "10.0.0.7:8460": true,
		"": false, "evil.example": false, "localhost.evil.example": false, "bench.example.evil": false, "10.0.0.8": false, "0.0.0.0": false, "127.0.0.1.evil.example:8460": false,
	} {
		r := httptest.NewRequest("GET", "/", nil)
		r.Host = host
		if got := door.Host(r) == nil; got != want {
			t.Errorf("%q: %v", host, got)
		}
	}
}

func TestLoopback(t *testing.T) {
	for listen, want := range map[string]bool{"127.0.0.1:1": true, "localhost:1": true, "[::1]:1": true, "0.0.0.0:1": false, ":1": false, "[::]:1": false, "10.0.0.1:1": false, "bench:1": false, "rubbish": false} {
		if access.Loopback(listen) != want {
			t.Errorf("%s: %v", listen, !want)
		}
	}
}

// A session ends by itself, and when it is ended; the oldest make room.
func TestSessions(t *testing.T) {
	c := clock.NewVirtual(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
	s := access.Sessions[int]{Clock: c}
	first, until := s.New(1)
	if v, ok := s.Find(first); !ok || v != 1 || until.Sub(c.Now()) != 12*time.Hour {
		t.Error(v, ok, until)
	}
	if err := c.Sleep(t.Context(), 13*time.Hour); err != nil {
		t.Fatal(err)
	}
	if _, ok := s.Find(first); ok {
		t.Error("it does not end")
	}
	second, _ := s.New(2)
	if err := c.Sleep(t.Context(), time.Second); err != nil {
		t.Fatal(err)
	}
	for i := range 1000 {
		s.New(i)
	}
	if _, ok := s.Find(second); ok {
		t.Error("the oldest does not make room")
	}
	third, _ := s.New(3)
	s.End(third)
	if _, ok := s.Find(third); ok {
		t.Error("it was ended")
	}
}

// The log survives being torn, and is read from its end.
func TestAudit(t *testing.T) {
	file := filepath.Join(t.TempDir(), "audit.jsonl")
	a, err := access.OpenAudit(file, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, did := range []string{"arm", "submit", "outputs off"} {
		if err := a.Add(access.Who{Name: "ada", Role: access.Operator, From: "10.0.0.9"}, did, "job", "line\nbreak"); err != nil {
			t.Fatal(err)
		}
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(file)
	if err != nil || strings.Count(string(data), "\n") != 3 {
		t.Fatalf("%q %v", data, err)
	}
	for cut := range len(data) {
		if err := os.WriteFile(file, data[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		a, err := access.OpenAudit(file, nil)
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Add(access.Who{Name: "bo"}, "view", "", ""); err != nil {
			t.Fatal(err)
		}
		list, err := a.Latest(10)
		whole := strings.Count(string(data[:cut]), "\n")
		if err != nil || len(list) < whole+1 || list[0].Who != "bo" || whole > 0 && list[len(list)-1].Did != "arm" {
			t.Fatalf("cut at %d: %+v %v", cut, list, err)
		}
		if err := a.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
