package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"

	"fourwire/daemon/access"
)

// call is one request that has been let in.
type call struct {
	*Server
	w     http.ResponseWriter
	r     *http.Request
	route *Route
	path  map[string]string
	query url.Values
	who   access.Who
}

func (c *call) ctx() context.Context { return c.r.Context() }

// sent is the result of a handler that has written its answer itself.
type sent struct{}

// result makes the two results of a Service into those of a handler.
func result[T any](v T, err error) (any, error) {
	if err != nil {
		return nil, err
	}
	return v, nil
}

// body decodes the body strictly: one value, names as they are written, none twice, none that is not known.
func body[T any](do func(*call, T) (any, error)) func(*call) (any, error) {
	return func(c *call) (any, error) {
		var v T
		if media, _, err := mime.ParseMediaType(c.r.Header.Get("Content-Type")); err != nil || media != "application/json" {
			return nil, Refuse(http.StatusUnsupportedMediaType, "the body must be JSON", "send Content-Type: application/json")
		}
		if e := c.r.Header.Get("Content-Encoding"); e != "" {
			return nil, Refuse(http.StatusUnsupportedMediaType, "the body must not be compressed", "")
		}
		err := json.UnmarshalRead(c.r.Body, &v, json.RejectUnknownMembers(true))
		var large *http.MaxBytesError
		switch {
		case errors.As(err, &large):
			return nil, Refuse(http.StatusRequestEntityTooLarge, fmt.Sprintf("a body of this request may have %d bytes", large.Limit), "")
		case err != nil:
			return nil, Refuse(http.StatusBadRequest, "the body cannot be read: "+strings.ToValidUTF8(err.Error(), "?"), "see /api/openapi.json")
		}
		return do(c, v)
	}
}

// noBody refuses a body where none is wanted; an empty object is none.
func (c *call) noBody() error {
	data, err := io.ReadAll(io.LimitReader(c.r.Body, 64))
	if err != nil {
		return Refuse(http.StatusBadRequest, "the body cannot be read", "")
	}
	if text := strings.TrimSpace(string(data)); text != "" && text != "{}" {
		return Refuse(http.StatusBadRequest, "this request has no body", "see /api/openapi.json")
	}
	return nil
}

// readQuery takes what stands behind the question mark: nothing that the route does not know, nothing twice.
func (c *call) readQuery() error {
	q, err := url.ParseQuery(c.r.URL.RawQuery)
	if err != nil {
		return Refuse(http.StatusBadRequest, "what stands behind the question mark cannot be read", "")
	}
	for name, values := range q {
		i := slices.IndexFunc(c.route.Query, func(p Parameter) bool { return p.Name == name })
		if i < 0 || len(values) > 1 || len(values[0]) > 1000 {
			return Refuse(http.StatusBadRequest, fmt.Sprintf("the parameter %.60q is not known here, stands there twice, or is too long", name), "see /api/openapi.json")
		}
		switch c.route.Query[i].Type {
		case "integer":
			_, err = strconv.Atoi(values[0])
		case "date-time":
			_, err = time.Parse(time.RFC3339, values[0])
		}
		if err != nil {
			return Refuse(http.StatusBadRequest, fmt.Sprintf("the parameter %s=%.60s is no %s", name, values[0], c.route.Query[i].Type), "")
		}
	}
	c.query = q
	return nil
}

// number is an integer parameter within its bounds.
func (c *call) number(name string, low, high, left int) (int, error) {
	if !c.query.Has(name) {
		return left, nil
	}
	n, err := strconv.Atoi(c.query.Get(name))
	if err != nil || n < low || n > high {
		return 0, Refuse(http.StatusBadRequest, fmt.Sprintf("%s goes from %d to %d", name, low, high), "")
	}
	return n, nil
}

func (c *call) when(name string) time.Time {
	t, _ := time.Parse(time.RFC3339, c.query.Get(name)) // it was read before; empty is the zero time
	return t
}

// match finds the route of a path and takes its segments out of it. allowed lists the methods that the path knows.
func match(routes []Route, method, escaped string) (r *Route, path map[string]string, allowed []string) {
	segments := strings.Split(strings.TrimPrefix(escaped, "/"), "/")
	for i, s := range segments {
		text, err := url.PathUnescape(s)
		if err != nil || text == "." || text == ".." || strings.ContainsAny(text, "/\\\x00") || text == "" {
			return nil, nil, nil
		}
		segments[i] = text
	}
	for i := range routes {
		found, ok := fits(routes[i].Path, segments)
		if !ok {
			continue
		}
		allowed = append(allowed, routes[i].Method)
		if routes[i].Method == method || routes[i].Method == http.MethodGet && method == http.MethodHead {
			r, path = &routes[i], found
		}
	}
	return r, path, allowed
}

func fits(pattern string, segments []string) (map[string]string, bool) {
	want := strings.Split(strings.TrimPrefix(pattern, "/"), "/")
	found := map[string]string{}
	for i, w := range want {
		name, variable := strings.CutPrefix(w, "{")
		name = strings.TrimSuffix(name, "}")
		if rest, all := strings.CutSuffix(name, "..."); variable && all {
			if i >= len(segments) {
				return nil, false
			}
			found[rest] = strings.Join(segments[i:], "/")
			return found, true
		}
		if i >= len(segments) || !variable && w != segments[i] {
			return nil, false
		}
		if variable {
			found[name] = segments[i]
		}
	}
	return found, len(want) == len(segments)
}
