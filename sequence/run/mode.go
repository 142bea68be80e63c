package run

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"fourwire/quantity"
)

// modes asks every role that is on what it is doing. A point taken in another mode than the sequence counts on is invalid,
// and says why; a protection that has tripped ends the run.
func (r *runner) modes(ctx context.Context, w *row) error {
	said, err := r.inspectAll(ctx)
	if err != nil {
		return err
	}
	for i := range r.roles {
		role := &r.roles[i]
		if role.feed == nil && role.sink == nil {
			continue
		}
		if !r.state[i].On {
			w.modes[role.Need.Name] = "off"
			continue
		}
		st := said[i]
		w.modes[role.Need.Name] = st.Mode
		if st.Mode == "" && st.On {
			w.modes[role.Need.Name] = "not known" // the instrument cannot say: no evidence against the point, and none for it
		}
		if len(st.Tripped) > 0 {
			r.state[i].On = false
			w.invalid("%s tripped: %s", role.Need.Name, strings.Join(st.Tripped, ", "))
			return r.tripped(role, st.Tripped)
		}
		if !st.On {
			r.state[i].On = false
			w.invalid("%s is off although it was switched on", role.Need.Name)
			return r.stop(Bench, "%s (%s) %w, and nothing tripped: an interlock, or somebody at its front panel", role.Need.Name, role.Channel, errWentOff)
		}
		if want := r.wantedMode(i); st.Mode != want && st.Mode != "" {
			why := r.complies(i, st.Mode)
			if why == "" {
				why = r.explain(i, st.Mode, want)
			}
			w.invalid("%s", why)
		}
	}
	return nil
}

// errWentOff is the kind of an output that was not left as it is now.
var errWentOff = errors.New("is off although it was switched on")

// tripped makes an end of a protection that has tripped.
func (r *runner) tripped(role *roleState, what []string) error {
	return &Stop{Kind: Safety, Place: r.place, Where: r.where(), Err: &guardBreach{tripped: what, node: role.Need.Node,
		text: fmt.Sprintf("%s (%s) tripped: %s%s", role.Need.Name, role.Channel, strings.Join(what, ", "), r.evidence(role.Need.Node))}}
}

// beyond makes an end of a reading beyond a guard.
func (r *runner) beyond(node, format string, args ...any) error {
	return &Stop{Kind: Safety, Place: r.place, Where: r.where(), Err: &guardBreach{node: node, text: fmt.Sprintf(format, args...)}}
}

// wantedMode is the mode that a point counts on: a source holds its voltage, a load what it was asked to hold.
func (r *runner) wantedMode(i int) string {
	if r.roles[i].feed != nil {
		if r.state[i].ForceAmps {
			return "CC"
		}
		return "CV"
	}
	switch r.state[i].Hold.Dim {
	case quantity.Voltage:
		return "CV"
	case quantity.Resistance:
		return "CR"
	case quantity.Power:
		return "CP"
	}
	return "CC"
}
