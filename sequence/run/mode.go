package run

import (
	"context"
	"fmt"
	"math"
	"strings"

	"fourwire/quantity"
	"fourwire/sequence"
)

// modes asks every role that is on what it is doing. A point taken in another mode than the sequence counts on is invalid,
// and says why; a protection that has tripped ends the run.
func (r *runner) modes(ctx context.Context, w *row) error {
	for i := range r.roles {
		role := &r.roles[i]
		if role.Need.Role == sequence.RoleMeter {
			continue
		}
		if !r.state[i].On {
			w.modes[role.Need.Name] = "off"
			continue
		}
		r.touched[role.Channel.Instrument] = true
		st, err := role.status(ctx)
		if err != nil {
			return r.of(role, err)
		}
		w.modes[role.Need.Name] = st.Mode
		if st.Mode == "" && st.On {
			w.modes[role.Need.Name] = "not known" // the instrument cannot say: no evidence against the point, and none for it
		}
		if len(st.Tripped) > 0 {
			r.state[i].On = false
			w.invalid("%s tripped: %s", role.Need.Name, strings.Join(st.Tripped, ", "))
			return r.stop(Safety, "%s (%s) tripped: %s%s", role.Need.Name, role.Channel, strings.Join(st.Tripped, ", "), r.evidence(role.Need.Node))
		}
		if !st.On {
			r.state[i].On = false
			w.invalid("%s is off although it was switched on", role.Need.Name)
			return r.stop(Bench, "%s (%s) is off although it was switched on, and nothing tripped: an interlock, or somebody at its front panel", role.Need.Name, role.Channel)
		}
		if want := r.wantedMode(i); st.Mode != want && st.Mode != "" {
			w.invalid("%s", r.explain(i, st.Mode, want))
		}
	}
	return nil
}

// wantedMode is the mode that a point counts on: a source holds its voltage, a load what it was asked to hold.
func (r *runner) wantedMode(i int) string {
	if r.roles[i].feed != nil {
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

// explain says in trade words what a wrong mode means, with what was read there.
func (r *runner) explain(i int, mode, want string) string {
	role, st := &r.roles[i], r.state[i]
	name, evidence := role.Need.Name, r.evidence(role.Need.Node)
	switch {
	case role.feed != nil && mode == "CC":
		return fmt.Sprintf("%s is in current limit (CC): it gives no more than %s and cannot hold %s%s", name, quantity.Amp(st.Amps), quantity.Volt(st.Volts), evidence)
	case role.feed != nil:
		return fmt.Sprintf("%s does not regulate (%s): %s is set%s", name, mode, quantity.Volt(st.Volts), evidence)
	case mode == "unregulated":
		return fmt.Sprintf("%s does not hold %s%s%s", name, st.Hold, evidence, r.lowEnd(i))
	}
	return fmt.Sprintf("%s is in %s, %s (%s) is asked%s", name, mode, want, st.Hold, evidence)
}

// evidence is the last readings at a node: "; dut.in reads 6.31 V and 2.5 A".
func (r *runner) evidence(node string) string {
	var parts []string
	for k := range r.gauges {
		if g := &r.gauges[k]; g.Node == node && g.read && !g.last.Overload {
			parts = append(parts, quantity.Of(g.last.Value.X, gaugeDim(g)).Text(4))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return fmt.Sprintf("; %s reads %s", node, strings.Join(parts, " and "))
}

// lowEnd says when a load has too little voltage to do what it is asked.
func (r *runner) lowEnd(i int) string {
	role, hold := &r.roles[i], r.state[i].Hold
	k := r.plan.GaugeIndex(sequence.Volts, role.Need.Node)
	if k < 0 || !r.gauges[k].read || r.gauges[k].last.Overload || hold.Dim != quantity.Current {
		return ""
	}
	left := r.gauges[k].last.Value.X - 2*hold.SI*role.LeadOhm
	least := math.Max(role.MinVolts, hold.SI*role.MinOhms)
	if least == 0 || left >= least {
		return ""
	}
	return fmt.Sprintf("; behind its leads it has %s and needs %s to carry that", quantity.Of(left, quantity.Voltage).Text(3), quantity.Of(least, quantity.Voltage).Text(3))
}
