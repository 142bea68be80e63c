//go:build unix

package main

import (
	"bufio"
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fourwire/daemon/access"
)

// certificate makes a certificate for this computer and writes it and its key to files.
func certificate(t *testing.T, dir string) (cert, key string, pool *x509.CertPool) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	about := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "bench"}, NotBefore: now.Add(-time.Hour), NotAfter: now.Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, DNSNames: []string{"localhost", "bench.example"}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, about, about, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for file, block := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(file, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	pool = x509.NewCertPool()
	pool.AppendCertsFromPEM(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	return cert, key, pool
}

// barred is a daemon with TLS and tokens, and how to send it bytes as they are.
type barred struct {
	t                       *testing.T
	host, dir               string
	pool                    *x509.CertPool
	viewer, operator, admin string
}

func startBarred(t *testing.T) *barred {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Join("..", "..", "examples", "buoy"))); err != nil {
		t.Fatal(err)
	}
	g := &barred{t: t, dir: dir}
	tokens := filepath.Join(dir, "tokens.txt")
	var lines string
	for role, into := range map[access.Role]*string{access.Viewer: &g.viewer, access.Operator: &g.operator, access.Admin: &g.admin} {
		text, line, err := access.NewToken(role.String()+"-1", role)
		if err != nil {
			t.Fatal(err)
		}
		*into, lines = text, lines+line+"\n"
	}
	if err := os.WriteFile(tokens, []byte(lines), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "sequences", "deeper"), 0o700); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, "no-load.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "sequences", "no-load.yaml"), text, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(dir, "load-regulation.yaml"), filepath.Join(dir, "sequences", "link.yaml")); err != nil {
		t.Logf("no links here: %v", err)
	}
	cert, key, pool := certificate(t, dir)
	g.pool = pool
	d := startDaemon(t, filepath.Join(dir, "bench.yaml"), "--sequences", filepath.Join(dir, "sequences"), "--tokens", tokens, "--tls-cert", cert, "--tls-key", key, "--host", "bench.example")
	g.host = strings.TrimPrefix(d.url, "https://")
	return g
}

// raw sends bytes and gives the status, the headers and the body of the answer; status 0: the connection was closed without one.
func (g *barred) raw(text string) (int, http.Header, string) {
	g.t.Helper()
	conn, err := tls.Dial("tcp", g.host, &tls.Config{RootCAs: g.pool})
	if err != nil {
		g.t.Fatal(err)
	}
	defer conn.Close()
	if err := conn.SetDeadline(time.Now().Add(20 * time.Second)); err != nil {
		g.t.Fatal(err)
	}
	_, _ = io.WriteString(conn, text) // the daemon may have closed before all was sent
	answer, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		return 0, nil, err.Error()
	}
	defer answer.Body.Close()
	body, _ := io.ReadAll(io.LimitReader(answer.Body, 1<<20)) // as much as came
	return answer.StatusCode, answer.Header, string(body)
}

// request is a request as text.
func (g *barred) request(method, path, token, body string, headers ...string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s %s HTTP/1.1\r\n", method, path)
	all := strings.Join(headers, "\r\n")
	if !strings.Contains(all, "Host:") {
		fmt.Fprintf(&b, "Host: %s\r\n", g.host)
	}
	if token != "" {
		fmt.Fprintf(&b, "Authorization: Bearer %s\r\n", token)
	}
	if body != "" && !strings.Contains(all, "Content-Type:") {
		b.WriteString("Content-Type: application/json\r\n")
	}
	if body != "" && !strings.Contains(all, "Content-Length:") && !strings.Contains(all, "Transfer-Encoding:") {
		fmt.Fprintf(&b, "Content-Length: %d\r\n", len(body))
	}
	for _, h := range headers {
		b.WriteString(h + "\r\n")
	}
	b.WriteString("Connection: close\r\n\r\n" + body)
	return b.String()
}

// Requests that mean no good, and the answers that they get. Statuses: RFC 9110; 431 and 429: RFC 6585; 421: RFC 9110 section 15.5.20.
// The attacks: common practice of testing web services (traversal, smuggling, rebinding, cross-site requests, oversize), no single source.
func TestHostileRequests(t *testing.T) {
	g := startBarred(t)
	job := `{"sequence":"no-load.yaml"}`
	big := strings.Repeat("a", 3<<20)
	text, err := os.ReadFile(filepath.Join(g.dir, "no-load.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	quoted, err := json.Marshal(string(text))
	if err != nil {
		t.Fatal(err)
	}
	secret := base64.StdEncoding.EncodeToString([]byte("x:" + g.operator))
	for _, c := range []struct {
		name, raw string
		want      int
	}{
		{"no token", g.request("GET", "/api/bench", "", ""), 401},
		{"a token that was never made", g.request("GET", "/api/bench", "fw.AAAAAAAA.AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA", ""), 401},
		{"a token with a wrong end", g.request("GET", "/api/bench", g.viewer[:len(g.viewer)-1], ""), 401},
		{"an empty token", g.request("GET", "/api/bench", "", "", "Authorization: Bearer "), 401},
		{"another scheme", g.request("GET", "/api/bench", "", "", "Authorization: Negotiate "+g.viewer), 401},
		{"a token behind the question mark", g.request("GET", "/api/bench?token="+g.viewer, "", ""), 401},
		{"a made-up session", g.request("GET", "/api/bench", "", "", "Cookie: fourwire_session=abcdef"), 401},
		{"a viewer submits", g.request("POST", "/api/jobs", g.viewer, job), 403},
		{"a viewer arms", g.request("POST", "/api/arm", g.viewer, `{"armed":true}`), 403},
		{"a viewer switches off", g.request("POST", "/api/outputs-off", g.viewer, ""), 403},
		{"an operator reads the audit log", g.request("GET", "/api/audit", g.operator, ""), 403},
		{"another page submits with the browser's session", g.request("POST", "/api/jobs", g.operator, job, "Origin: https://evil.example"), 403},
		{"another page submits, as new browsers say it", g.request("POST", "/api/jobs", g.operator, job, "Sec-Fetch-Site: cross-site"), 403},
		{"a page of a sister site submits", g.request("POST", "/api/jobs", g.operator, job, "Sec-Fetch-Site: same-site"), 403},
		{"a page without an origin submits", g.request("POST", "/api/jobs", g.operator, job, "Origin: null"), 403},
		{"another page takes the answer in as a script", g.request("GET", "/api/bench", g.viewer, "", "Sec-Fetch-Site: cross-site", "Sec-Fetch-Mode: no-cors", "Sec-Fetch-Dest: script"), 403},
		{"a form instead of JSON", g.request("POST", "/api/jobs", g.operator, "sequence=no-load.yaml", "Content-Type: application/x-www-form-urlencoded"), 415},
		{"plain text that is JSON, which a form can send", g.request("POST", "/api/jobs", g.operator, job, "Content-Type: text/plain"), 415},
		{"a compressed body", g.request("POST", "/api/jobs", g.operator, job, "Content-Encoding: gzip"), 415},
		{"a name that was made to point here", g.request("GET", "/api/bench", g.viewer, "", "Host: evil.example"), 421},
		{"no JSON", g.request("POST", "/api/jobs", g.operator, `{"sequence":`), 400},
		{"a member that is not known", g.request("POST", "/api/jobs", g.operator, `{"sequence":"no-load.yaml","run_as":"root"}`), 400},
		{"a member in other case", g.request("POST", "/api/jobs", g.operator, `{"Sequence":"no-load.yaml"}`), 400},
		{"a member twice", g.request("POST", "/api/jobs", g.operator, `{"sequence":"no-load.yaml","sequence":"link.yaml"}`), 400},
		{"something behind the JSON", g.request("POST", "/api/jobs", g.operator, job+job), 400},
		{"a number where a text is wanted", g.request("POST", "/api/jobs", g.operator, `{"sequence":7}`), 400},
		{"JSON nested 100,000 deep", g.request("POST", "/api/jobs", g.operator, `{"set":`+strings.Repeat(`{"a":`, 100_000)), 400},
		{"a body where none is wanted", g.request("POST", "/api/outputs-off", g.operator, `{"force":true}`), 400},
		{"a parameter that is not known", g.request("GET", "/api/jobs?limit=5&debug=1", g.viewer, ""), 400},
		{"a parameter twice", g.request("GET", "/api/jobs?limit=5&limit=6", g.viewer, ""), 400},
		{"a limit beyond its bounds", g.request("GET", "/api/jobs?limit=1000000000", g.viewer, ""), 400},
		{"a body of 3 MB", g.request("POST", "/api/jobs", g.operator, `{"text":"`+big+`"}`), 413},
		{"a body of 3 MB in chunks", g.request("POST", "/api/jobs", g.operator, fmt.Sprintf("%x\r\n%s\r\n0\r\n\r\n", len(big)+9, `{"text":"`+big), "Transfer-Encoding: chunked"), 413},
		{"headers of 100 kB", g.request("GET", "/api/bench", g.viewer, "", "X-Long: "+big[:100_000]), 431},
		{"a path out of the records", g.request("GET", "/api/records/../../etc/passwd", g.viewer, ""), 404},
		{"the same, encoded", g.request("GET", "/api/records/..%2f..%2f..%2fetc%2fpasswd/points.csv", g.viewer, ""), 404},
		{"the same, encoded twice", g.request("GET", "/api/records/%252e%252e%252fetc/points.csv", g.viewer, ""), 404},
		{"a hidden folder of the records", g.request("GET", "/api/records/.state/points.csv", g.viewer, ""), 404},
		{"a path out of a report", g.request("GET", "/api/records/x/report/report/..%2f..%2faudit.jsonl", g.viewer, ""), 404},
		{"a name with a zero byte", g.request("GET", "/api/records/a%00b", g.viewer, ""), 404},
		{"a sequence outside its folder", g.request("POST", "/api/jobs", g.operator, `{"sequence":"../efficiency.yaml"}`), 422},
		{"a sequence by its whole path", g.request("POST", "/api/jobs", g.operator, `{"sequence":"`+filepath.ToSlash(g.dir)+`/efficiency.yaml"}`), 422},
		{"a sequence by a link out of its folder", g.request("POST", "/api/jobs", g.operator, `{"sequence":"link.yaml"}`), 422},
		{"a text with a name outside", g.request("POST", "/api/jobs", g.operator, `{"text":`+string(quoted)+`,"name":"../../x.yaml"}`), 422},
		{"a text with the name of an option", g.request("POST", "/api/jobs", g.operator, `{"text":`+string(quoted)+`,"name":"--bench=x.yaml"}`), 422},
		{"a file outside", g.request("POST", "/api/jobs", g.operator, `{"text":`+string(quoted)+`,"files":{"../../cron":"x"}}`), 422},
		{"a parameter that would be an option", g.request("POST", "/api/jobs", g.operator, `{"sequence":"no-load.yaml","set":{"--out":"/tmp/x"}}`), 422},
		{"an acknowledgement that would be an option", g.request("POST", "/api/jobs", g.operator, `{"sequence":"no-load.yaml","acknowledge":"--no-hookup"}`), 422},
		{"a text that asks the expression language for more than it has", g.request("POST", "/api/jobs", g.operator, `{"sequence":"no-load.yaml","set":{"vin":"os.exit(1)"}}`), 422},
		{"a job again and again without a pause", g.request("POST", "/api/jobs", g.operator, `{"sequence":"no-load.yaml","every":"1 us"}`), 422},
		{"a method that is not known", g.request("TRACE", "/api/bench", g.viewer, ""), 405},
		{"a method for another address", g.request("DELETE", "/api/bench", g.admin, ""), 405},
		{"an address that is not there", g.request("GET", "/api/shell", g.admin, ""), 404},
		{"two lengths", g.request("POST", "/api/jobs", g.operator, job, "Content-Length: 27", "Content-Length: 5"), 400},
		{"no HTTP", "\x16\x03\x01\x00nothing\r\n\r\n", 400},
		{"the log of the daemon is not among its files", g.request("GET", "/api/sequences/..%2ftokens.txt", g.admin, ""), 404},
	} {
		t.Run(c.name, func(t *testing.T) {
			status, headers, body := g.raw(c.raw)
			if status != c.want {
				t.Errorf("%d, want %d: %.300s", status, c.want, body)
			}
			if status != 400 && status != 431 && (headers.Get("X-Content-Type-Options") != "nosniff" || headers.Get("Content-Security-Policy") == "") {
				t.Errorf("headers are missing: %v", headers)
			}
			if strings.Contains(body, g.dir) || strings.Contains(body, "root:") || strings.Contains(body, "goroutine") {
				t.Errorf("the answer tells too much: %s", body)
			}
		})
	}
	// after all that it works, for those who may
	if status, _, body := g.raw(g.request("POST", "/api/jobs", g.operator, job)); status != 201 {
		t.Errorf("an operator cannot submit: %d %s", status, body)
	}
	if status, _, body := g.raw(g.request("GET", "/api/jobs", "", "", "Authorization: Basic "+secret)); status != 200 || !strings.Contains(body, "no-load.yaml") {
		t.Errorf("a spreadsheet, which sends the token as a password: %d %s", status, body)
	}
	status, headers, _ := g.raw(g.request("POST", "/api/session", g.viewer, "", "Origin: https://"+g.host, "Sec-Fetch-Site: same-origin"))
	cookie := headers.Get("Set-Cookie")
	if status != 200 || !strings.Contains(cookie, "HttpOnly") || !strings.Contains(cookie, "Secure") || !strings.Contains(cookie, "SameSite=Strict") {
		t.Errorf("a session: %d %q", status, cookie)
	}
	word, _, _ := strings.Cut(cookie, ";")
	if status, _, body := g.raw(g.request("GET", "/api/session", "", "", "Cookie: "+word)); status != 200 || !strings.Contains(body, "viewer-1") {
		t.Errorf("who has the session: %d %s", status, body)
	}
	if status, _, _ := g.raw(g.request("GET", "/api/health", "", "", "Host: bench.example:443")); status != 200 {
		t.Errorf("the name that it was told it has: %d", status)
	}
	g.secretsAreNowhere()
}

// secretsAreNowhere looks for tokens in everything that the daemon has written.
func (g *barred) secretsAreNowhere() {
	g.t.Helper()
	err := filepath.WalkDir(g.dir, func(path string, e os.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() {
			return err
		}
		data, err := os.ReadFile(path)
		for _, token := range []string{g.viewer, g.operator, g.admin} {
			if bytes.Contains(data, []byte(token[12:])) {
				g.t.Errorf("%s holds a token", path)
			}
		}
		return err
	})
	if err != nil {
		g.t.Error(err)
	}
	if _, _, body := g.raw(g.request("GET", "/api/audit", g.admin, "")); !strings.Contains(body, `"refused"`) || !strings.Contains(body, "viewer-1") {
		g.t.Errorf("the audit log does not tell who was refused: %s", body)
	}
}

// Wrong tokens cannot be tried for long.
func TestWrongTokensAreSlowedDown(t *testing.T) {
	g := startBarred(t)
	counts := map[int]int{}
	for i := range 30 {
		status, _, _ := g.raw(g.request("GET", "/api/bench", fmt.Sprintf("fw.AAAAAAAA.%043d", i), ""))
		counts[status]++
	}
	if counts[429] < 10 || counts[401] < 5 || counts[200] > 0 {
		t.Errorf("answers by status: %v", counts)
	}
	if status, _, _ := g.raw(g.request("GET", "/api/bench", g.viewer, "")); status != 200 {
		t.Errorf("who has a token is shut out with those who have none: %d", status)
	}
}
