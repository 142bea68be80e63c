package access

import (
	"errors"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
)

// The ways in which the check of a request fails.
var (
	ErrHost  = errors.New("the request is addressed to a name that this daemon does not have")
	ErrCross = errors.New("another web page asks for this")
)

// Door checks where a request comes from. The zero value takes requests to this computer's own names only.
type Door struct {
	Hosts []string // further names and addresses that the daemon is reached by
}

// Host checks the name that a request is addressed to, so that a web page whose name was made to point here cannot talk to the daemon.
func (d Door) Host(r *http.Request) error {
	name := r.Host
	if host, _, err := net.SplitHostPort(name); err == nil {
		name = host
	}
	name = strings.TrimSuffix(strings.ToLower(strings.Trim(name, "[]")), ".")
	if name == "localhost" || slices.Contains(d.Hosts, name) {
		return nil
	}
	if a, err := netip.ParseAddr(name); err == nil && a.IsLoopback() {
		return nil
	}
	return ErrHost
}

// Cross refuses what a browser sends on behalf of another page: whatever changes something, and whatever is not a plain visit.
func (d Door) Cross(r *http.Request) error {
	safe := r.Method == http.MethodGet || r.Method == http.MethodHead
	switch r.Header.Get("Sec-Fetch-Site") {
	case "same-origin", "none":
		return nil
	case "":
		if safe {
			return nil
		}
	default: // same-site, cross-site
		if safe && r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Header.Get("Sec-Fetch-Dest") == "document" {
			return nil
		}
		return ErrCross
	}
	if origin := r.Header.Get("Origin"); origin != "" {
		_, host, ok := strings.Cut(origin, "://")
		if !ok || !strings.EqualFold(host, r.Host) {
			return ErrCross
		}
	}
	return nil
}

// Loopback tells whether an address to listen at is reached from this computer alone.
func Loopback(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return false
	}
	if host == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.IsLoopback()
}
