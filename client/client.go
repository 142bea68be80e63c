// Package client talks to the daemon of a bench over HTTP: it submits jobs and waits for them, watches what happens, switches outputs
// off, and reads records.
//
// What is sent and answered are the types of package api. A request that the daemon does not carry out gives an [*Error], which holds
// the daemon's own words and what it found wrong in a file. Nothing is asked twice, but for [Client.Watch] and [Client.Wait], which
// only read: whoever submits decides what an answer that did not come means.
package client

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"

	"fourwire/internal/clock"
)

// maxAnswer bounds an answer that is read into memory; maxProblem one that says why not.
const (
	maxAnswer  = 256 << 20
	maxProblem = 1 << 20
)

// Client is the daemon at one address. Its methods may be called by several goroutines.
type Client struct {
	base  *url.URL
	token string
	web   *http.Client
	clock clock.Clock
}

// Option changes how a client works.
type Option func(*settings) error

type settings struct {
	token string
	roots *x509.CertPool
	web   *http.Client
	clock clock.Clock
}

// Token sends a token with every request, as "fourwire token" prints it.
func Token(token string) Option {
	return func(s *settings) error {
		if s.token = strings.TrimSpace(token); s.token == "" {
			return errors.New("the token is empty")
		}
		return nil
	}
}

// Roots trusts certificates that the computer does not know, such as that of the lab. It is for the client's own transport: one that [HTTP]
// gives has its own.
func Roots(pool *x509.CertPool) Option {
	return func(s *settings) error { s.roots = pool; return nil }
}

// HTTP uses an HTTP client of one's own. A time-out in it ends streams of events, too; give a context to the call instead.
func HTTP(web *http.Client) Option {
	return func(s *settings) error { s.web = web; return nil }
}

// Clock measures pauses between attempts to watch by another clock than the machine's.
func Clock(c clock.Clock) Option {
	return func(s *settings) error { s.clock = c; return nil }
}

// New makes a client of the daemon at an address such as http://127.0.0.1:8460. Nothing is sent yet. A token is not sent in clear to
// another computer: that is an error here.
func New(base string, options ...Option) (*Client, error) {
	var s settings
	for _, o := range options {
		if err := o(&s); err != nil {
			return nil, err
		}
	}
	u, err := url.Parse(base)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, fmt.Errorf("%q is no address of a daemon; it looks like http://127.0.0.1:8460", base)
	}
	if u.User != nil || u.RawQuery != "" || u.Fragment != "" {
		return nil, fmt.Errorf("the address of the daemon is a scheme, a host and a port; a token is given apart from it")
	}
	if s.token != "" && u.Scheme == "http" && !loopback(u.Hostname()) {
		return nil, fmt.Errorf("a token would go to %s in clear; use https", u.Host)
	}
	if s.web == nil {
		transport := &http.Transport{Proxy: http.ProxyFromEnvironment, ForceAttemptHTTP2: true, MaxIdleConnsPerHost: 16}
		if s.roots != nil {
			transport.TLSClientConfig = &tls.Config{RootCAs: s.roots, MinVersion: tls.VersionTLS12}
		}
		s.web = &http.Client{Transport: transport}
	}
	web := *s.web // the caller's stays as it is
	web.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	u.Path = strings.TrimRight(u.Path, "/")
	return &Client{base: u, token: s.token, web: &web, clock: clock.Or(s.clock)}, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Close frees connections that nobody uses.
func (c *Client) Close() { c.web.CloseIdleConnections() }

// path joins segments, each escaped by itself, so that no name leads to another route.
func path(segments ...string) string {
	var b strings.Builder
	b.WriteString("/api")
	for _, s := range segments {
		b.WriteString("/" + url.PathEscape(s))
	}
	return b.String()
}

// names are the segments of a name that may stand in a folder.
func names(before []string, name string) string {
	return path(append(before, strings.Split(name, "/")...)...)
}

// send sends a request and gives an answer with a status of success, whose body the caller closes.
func (c *Client) send(ctx context.Context, method, path string, query url.Values, body any, headers ...string) (*http.Response, error) {
	u := *c.base
	at := strings.TrimRight(u.String(), "/") + path
	if len(query) > 0 {
		at += "?" + query.Encode()
	}
	var sent io.Reader
	if body != nil {
		data, err := json.Marshal(body)
		if err != nil {
			return nil, fmt.Errorf("%s %s: %w", method, path, err)
		}
		sent = bytes.NewReader(data)
	}
	r, err := http.NewRequestWithContext(ctx, method, at, sent)
	if err != nil {
		return nil, fmt.Errorf("%s %s: %w", method, path, err)
	}
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	if c.token != "" {
		r.Header.Set("Authorization", "Bearer "+c.token)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	answer, err := c.web.Do(r)
	if err != nil {
		var wrapped *url.Error
		if errors.As(err, &wrapped) {
			err = wrapped.Err // method and address are said here, without what stands behind the question mark
		}
		return nil, fmt.Errorf("%s %s at %s: %w", method, path, c.base.Host, err)
	}
	if answer.StatusCode < 200 || answer.StatusCode > 299 {
		defer func() { _ = answer.Body.Close() }() // it was only read
		return nil, refusal(method, path, answer)
	}
	return answer, nil
}

// call sends a request and decodes the answer.
func call[T any](ctx context.Context, c *Client, method, path string, query url.Values, body any) (T, error) {
	var v T
	answer, err := c.send(ctx, method, path, query, body, "Accept", "application/json")
	if err != nil {
		return v, err
	}
	defer func() { _ = answer.Body.Close() }() // it was only read
	data, err := io.ReadAll(io.LimitReader(answer.Body, maxAnswer+1))
	switch {
	case err != nil:
		return v, fmt.Errorf("%s %s: the answer broke off: %w", method, path, err)
	case len(data) > maxAnswer:
		return v, fmt.Errorf("%s %s: the answer has more than %d bytes", method, path, maxAnswer)
	}
	if err := json.Unmarshal(data, &v); err != nil {
		return v, fmt.Errorf("%s %s: the answer is not what this client knows; is that a daemon of another version? %w", method, path, err)
	}
	return v, nil
}
