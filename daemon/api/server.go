package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"fourwire/daemon/access"
	"fourwire/internal/clock"
)

// Options are what a door is made with.
type Options struct {
	Service Service
	Tokens  *access.Tokens // nil: everybody who reaches it may do everything
	Door    access.Door
	TLS     bool         // it is reached by TLS, so that cookies are told to stay there
	Page    http.Handler // whatever is not below /api/; nil: nothing
	Clock   clock.Clock  // nil is the machine's
	Log     func(level, text string, fields map[string]any)
	// PerSecond and Burst bound the requests of one client; 0 is 200 and 400.
	PerSecond float64
	Burst     int
	Watchers  int // streams of events at one time; 0 is 200
}

// Server is the door: an http.Handler.
type Server struct {
	Options
	service  Service
	clock    clock.Clock
	routes   []Route
	openapi  []byte
	sessions access.Sessions[access.Who]
	tickets  access.Sessions[string] // which record the files of a report may be read of
	limits   limits
	wrong    limits // of tokens
	watchers chan struct{}
	closing  chan struct{}
	once     sync.Once
	counts   counts
}

// New makes a door.
func New(o Options) (*Server, error) {
	if o.PerSecond == 0 {
		o.PerSecond, o.Burst = 200, 400
	}
	if o.Watchers == 0 {
		o.Watchers = 200
	}
	if o.Log == nil {
		o.Log = func(string, string, map[string]any) {}
	}
	s := &Server{Options: o, service: o.Service, clock: clock.Or(o.Clock), routes: Routes(), watchers: make(chan struct{}, o.Watchers), closing: make(chan struct{}),
		limits: limits{per: rate.Limit(o.PerSecond), burst: o.Burst}, wrong: limits{per: 1, burst: 10}}
	s.sessions.Clock, s.tickets.Clock = o.Clock, o.Clock
	var err error
	s.openapi, err = json.Marshal(OpenAPI(s.routes))
	return s, err
}

// Close ends the streams of events, so that the server can be shut down.
func (s *Server) Close() { s.once.Do(func() { close(s.closing) }) }

const (
	answerWithin = 2 * time.Minute
	smallBody    = 64 << 10
	// apiPolicy is the content security policy of answers that no browser is to show, pagePolicy that of the page.
	apiPolicy  = "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'; sandbox"
	pagePolicy = "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; frame-src 'self'; frame-ancestors 'none'; img-src 'self' data:"
)

// ServeHTTP answers one request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	defer func() {
		if broken := recover(); broken != nil {
			if err, ok := broken.(error); ok && errors.Is(err, http.ErrAbortHandler) {
				panic(broken)
			}
			s.Log("error", fmt.Sprintf("a request broke the daemon's code: %v", broken), map[string]any{"path": r.URL.Path, "stack": string(debug.Stack())})
			s.refuse(w, Refuse(http.StatusInternalServerError, "the daemon made a mistake; its log says more", ""))
		}
	}()
	h := w.Header()
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Content-Security-Policy", apiPolicy)
	if s.TLS {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
	_ = http.NewResponseController(w).SetWriteDeadline(s.clock.Now().Add(answerWithin)) // what cannot have one is a test
	s.counts.request()
	if err := s.answer(w, r); err != nil {
		s.refuse(w, err)
	}
}

func (s *Server) answer(w http.ResponseWriter, r *http.Request) error {
	if err := s.Door.Host(r); err != nil {
		return Refuse(http.StatusMisdirectedRequest, err.Error(), "name it with --host, or use the address that it listens at")
	}
	escaped := r.URL.EscapedPath()
	if err := s.Door.Cross(r); err != nil && !(r.Method == http.MethodGet && strings.HasPrefix(escaped, ticketPath)) {
		return Refuse(http.StatusForbidden, err.Error(), "")
	}
	if escaped != "/api" && !strings.HasPrefix(escaped, "/api/") {
		return s.page(w, r)
	}
	c := &call{Server: s, w: w, r: r}
	var allowed []string
	c.route, c.path, allowed = match(s.routes, r.Method, escaped)
	if c.route == nil && len(allowed) > 0 {
		slices.Sort(allowed)
		w.Header().Set("Allow", strings.Join(slices.Compact(allowed), ", "))
		return Refuse(http.StatusMethodNotAllowed, "this address does not know "+shortened(r.Method), "see /api/openapi.json")
	}
	from := clientOf(r)
	if !s.limits.allow(from, s.clock.Now()) {
		w.Header().Set("Retry-After", "1")
		return Refuse(http.StatusTooManyRequests, "too many requests", "wait a second")
	}
	if c.route == nil {
		return Refuse(http.StatusNotFound, "there is nothing at this address", "see /api/openapi.json")
	}
	var err error
	if c.who, err = s.admit(w, r, from, c.route.Role); err != nil {
		return err
	}
	if c.who.Role < c.route.Role {
		s.service.Note(c.who, "refused", c.route.Method+" "+c.route.Path, "it takes a "+c.route.Role.String())
		return Refuse(http.StatusForbidden, fmt.Sprintf("%s is a %s; this takes a %s", c.who.Name, c.who.Role, c.route.Role), "")
	}
	if err := c.readQuery(); err != nil {
		return err
	}
	most := c.route.Bytes
	if most == 0 {
		most = smallBody
	}
	r.Body = http.MaxBytesReader(w, r.Body, most)
	if c.route.In == nil && r.Method != http.MethodGet && r.Method != http.MethodHead {
		if err := c.noBody(); err != nil {
			return err
		}
	}
	v, err := c.route.serve(c)
	if err != nil {
		return err
	}
	if _, done := v.(sent); done {
		return nil
	}
	status := c.route.Status
	if status == 0 {
		status = http.StatusOK
	}
	return write(w, status, "application/json", v)
}

// admit finds out who asks.
func (s *Server) admit(w http.ResponseWriter, r *http.Request, from string, role access.Role) (access.Who, error) {
	if s.Tokens == nil {
		return access.Who{Name: access.Local, Role: access.Admin, From: from}, nil
	}
	who, err := s.find(r)
	if err == nil {
		who.From = from
		return who, nil
	}
	if role == access.Nobody {
		return access.Who{From: from}, nil
	}
	if errors.Is(err, access.ErrToken) && !s.wrong.allow(from, s.clock.Now()) {
		w.Header().Set("Retry-After", "10")
		return access.Who{}, Refuse(http.StatusTooManyRequests, "too many wrong tokens", "wait ten seconds")
	}
	w.Header().Set("WWW-Authenticate", `Bearer realm="fourwire"`)
	if !strings.Contains(r.Header.Get("Sec-Fetch-Mode"), "cors") {
		w.Header().Add("WWW-Authenticate", `Basic realm="fourwire", charset="UTF-8"`) // spreadsheets ask for name and password: the token is the password
	}
	return access.Who{}, Refuse(http.StatusUnauthorized, "a token is wanted", "send Authorization: Bearer TOKEN; \"fourwire token\" makes one")
}

const cookieName = "fourwire_session"

var errNoToken = errors.New("no token was sent")

func (s *Server) find(r *http.Request) (access.Who, error) {
	if text := r.Header.Get("Authorization"); text != "" {
		if _, password, ok := r.BasicAuth(); ok {
			return s.Tokens.Find(password)
		}
		kind, token, _ := strings.Cut(text, " ")
		if !strings.EqualFold(kind, "Bearer") {
			return access.Who{}, access.ErrToken
		}
		return s.Tokens.Find(strings.TrimSpace(token))
	}
	if cookie, err := r.Cookie(cookieName); err == nil {
		if who, ok := s.sessions.Find(cookie.Value); ok {
			return who, nil
		}
		return access.Who{}, access.ErrToken
	}
	return access.Who{}, errNoToken
}

// page answers what is not below /api/.
func (s *Server) page(w http.ResponseWriter, r *http.Request) error {
	if s.Page == nil {
		return Refuse(http.StatusNotFound, "there is nothing at this address", "the API is below /api/")
	}
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		return Refuse(http.StatusMethodNotAllowed, "a page is only read", "")
	}
	w.Header().Set("Content-Security-Policy", pagePolicy)
	s.Page.ServeHTTP(w, r)
	return nil
}

func (s *Server) refuse(w http.ResponseWriter, err error) {
	p := &Problem{}
	if !errors.As(err, &p) {
		s.Log("error", err.Error(), nil)
		p = Refuse(http.StatusInternalServerError, err.Error(), "")
	}
	s.counts.refused()
	_ = write(w, p.Status, "application/problem+json", p) // whoever asked may have gone
}

func write(w http.ResponseWriter, status int, media string, v any) error {
	data, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("the answer cannot be written: %w", err)
	}
	h := w.Header()
	h.Set("Content-Type", media)
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(append(data, '\n')) // whoever asked may have gone
	return nil
}

func clientOf(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

func shortened(text string) string {
	if len(text) > 20 {
		return text[:20] + "..."
	}
	return text
}

// limits bounds what each client may ask for.
type limits struct {
	per   rate.Limit
	burst int

	mu  sync.Mutex // guards what follows
	all map[string]*rate.Limiter
}

const maxClients = 10_000

func (l *limits) allow(client string, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.all == nil || len(l.all) >= maxClients {
		l.all = map[string]*rate.Limiter{}
	}
	one := l.all[client]
	if one == nil {
		one = rate.NewLimiter(l.per, l.burst)
		l.all[client] = one
	}
	return one.AllowN(now, 1)
}
