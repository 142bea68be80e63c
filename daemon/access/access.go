// Package access says who may do what at the door of a daemon: tokens that are kept as hashes only, roles, sessions of browsers, the
// checks that keep other web pages out, and the log of who did what.
package access

import (
	"context"
	"errors"
	"fmt"
)

// Role is what somebody may do. Each may do what the one before may.
type Role int

// The roles.
const (
	Nobody   Role = iota // may know that the daemon is there
	Viewer               // may look at everything
	Operator             // may submit and stop jobs, arm the bench, switch outputs off
	Admin                // may read the audit log
)

var errRole = errors.New("a role is viewer, operator or admin")

// String is the word of the role.
func (r Role) String() string {
	switch r {
	case Viewer:
		return "viewer"
	case Operator:
		return "operator"
	case Admin:
		return "admin"
	}
	return "nobody"
}

// ParseRole reads the word of a role.
func ParseRole(text string) (Role, error) {
	for _, r := range []Role{Viewer, Operator, Admin} {
		if text == r.String() {
			return r, nil
		}
	}
	return Nobody, fmt.Errorf("%q: %w", text, errRole)
}

// Local is the name of whoever asks a daemon where nobody has to say who they are.
const Local = "local"

// Who is somebody who asks for something.
type Who struct {
	Name string
	Role Role
	From string // network address
}

type whoKey struct{}

// With puts who asks into a context.
func With(ctx context.Context, w Who) context.Context { return context.WithValue(ctx, whoKey{}, w) }

// From takes it out again; the zero Who is nobody.
func From(ctx context.Context) Who {
	w, _ := ctx.Value(whoKey{}).(Who)
	return w
}
