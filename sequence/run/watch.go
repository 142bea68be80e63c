package run

import (
	"context"
	"fmt"
	"math"

	"fourwire/driver"
	"fourwire/quantity"
	"fourwire/sequence/plan"
)

// Inspector is the ability of a source or load to tell status, settings and a restart in one exchange. Without it the status alone is looked
// at, and a setting that somebody changes by hand is not seen.
type Inspector interface {
	Inspect(context.Context) (driver.Status, driver.Settings, error)
}

// held is what a role said was set when it was first looked at after a setting.
type held struct {
	of   plan.Setting // the setting that it belongs to
	said driver.Settings
	has  bool
}

// inspect asks a role what it is doing and holds what it says is set against what was sent.
func (r *runner) inspect(ctx context.Context, i int) (driver.Status, error) {
	role := &r.roles[i]
	var look Inspector
	if role.feed != nil {
		look, _ = role.feed.(Inspector)
	} else {
		look, _ = role.sink.(Inspector)
	}
	if look == nil {
		return role.status(ctx)
	}
	st, said, err := look.Inspect(ctx)
	if err != nil || !st.On || len(st.Tripped) > 0 {
		return st, err
	}
	return st, r.unchanged(i, said)
}

// unchanged compares what is set with what was sent: near it at the first look after a setting, since instruments round, and exactly what it
// was then at every further one.
func (r *runner) unchanged(i int, said driver.Settings) error {
	role, sent := &r.roles[i], r.state[i]
	fresh := !role.held.has || role.held.of != sent
	for _, s := range []struct {
		what            string
		sent, was, said float64
		dim             quantity.Dimension
		guard           quantity.Span
	}{
		{"voltage", sent.Volts, role.held.said.Volts, said.Volts, quantity.Voltage, role.Guard.Volts},
		{"current limit", sent.Amps, role.held.said.Amps, said.Amps, quantity.Current, role.Guard.Amps},
		{"level", sent.Hold.SI, role.held.said.Hold.SI, said.Hold.SI, sent.Hold.Dim, levelGuard(role, sent.Hold.Dim)},
	} {
		if math.IsNaN(s.said) || math.IsNaN(s.sent) {
			continue
		}
		want, allowed := s.was, 1e-6*math.Abs(s.was)
		if fresh || math.IsNaN(s.was) {
			want, allowed = s.sent, math.Max(0.02*math.Abs(s.sent), 0.02)
		}
		if math.Abs(s.said-want) <= allowed {
			continue
		}
		changed := &changedByHand{
			role: role.Need.Name, channel: role.Channel.String(), what: s.what,
			sent: quantity.Of(s.sent, s.dim), said: quantity.Of(s.said, s.dim), guard: s.guard,
		}
		k := Bench
		if s.guard.Set && s.guard.Dim == s.dim && !s.guard.Holds(s.said) {
			k = Safety
		}
		return &Stop{Kind: k, Place: r.place, Where: r.where(), Err: changed}
	}
	role.held = held{of: sent, said: said, has: true}
	return nil
}

func levelGuard(role *roleState, dim quantity.Dimension) quantity.Span {
	switch dim {
	case quantity.Current:
		return role.Guard.Amps
	case quantity.Power:
		return role.Guard.Watts
	}
	return quantity.Span{}
}

// changedByHand is a setting that is not what this run has sent.
type changedByHand struct {
	role, channel, what string
	sent, said          quantity.Quantity
	guard               quantity.Span
}

// Error says what was sent and what is set.
func (c *changedByHand) Error() string {
	text := fmt.Sprintf("%s (%s): its %s is not what this run has set: %s was sent, %s is set now", c.role, c.channel, c.what, c.sent, c.said)
	if c.guard.Set && c.guard.Dim == c.said.Dim && !c.guard.Holds(c.said.SI) {
		text += fmt.Sprintf(", outside the guard of its node, %s", c.guard)
	}
	return text
}

// given is a reading that a gauge has given, with what was expected of it then.
type given struct{ x, u, expected float64 }

// keptReadings is how many readings of a gauge are held against new ones.
const keptReadings = 16

// remind keeps a reading of a gauge, for the look at whether a later one is a new one.
func (r *runner) remind(g *gaugeState) {
	if len(g.given) == keptReadings {
		g.given = g.given[:copy(g.given, g.given[1:])]
	}
	one := given{x: g.last.Value.X, u: g.last.Value.Expanded(), expected: r.plan.Expect(r.state, g.Function, g.Node)}
	if g.last.Overload {
		one.x = nan
	}
	g.given = append(g.given, one)
	g.fresh = min(g.fresh+1, keptReadings)
}

// staleReading is a reading that belongs to an earlier setting.
type staleReading struct {
	gauge, channel string
	read           quantity.Quantity
	from, to       quantity.Quantity // what was expected then and now
}

// Error says why it cannot be a new one.
func (s *staleReading) Error() string {
	return fmt.Sprintf("%s (%s) reads %s as before the last setting, when about %s were expected, and not %s as now: the reading is stale",
		s.gauge, s.channel, s.read, s.from.Text(3), s.to.Text(3))
}

// What a reading must have been expected to move for its standing still to mean something: a share of it, and so many times its uncertainty.
const (
	movesByShare       = 0.1
	movesByUncertainty = 4
)

// stale looks for readings that were given before, to the last digit, though the settings have moved what is read since then. w is valid so
// far: every role is in its mode, so that what was expected holds.
func (r *runner) stale(w *row, g *group) error {
	if len(w.why) > 0 {
		return nil
	}
	for _, k := range g.gauges {
		gauge := &r.gauges[k]
		before := len(gauge.given) - gauge.fresh
		for _, now := range gauge.given[before:] {
			for _, was := range gauge.given[:before] {
				if now.x != was.x || !movedOn(was, now) {
					continue
				}
				dim := gaugeDim(gauge)
				s := &staleReading{gauge: gauge.Name(), channel: gauge.Channel.String(), read: quantity.Of(now.x, dim),
					from: quantity.Of(was.expected, dim), to: quantity.Of(now.expected, dim)}
				w.invalid("%v", s)
				return &Stop{Kind: Bench, Place: r.place, Where: r.where(), Err: s}
			}
		}
		if err := r.misfit(w, gauge, before); err != nil {
			return err
		}
	}
	return nil
}

// How far a reading may be from what a role regulates there: generous, since it is about readings that belong to something else.
const (
	misfitShare = 0.1  // of what is set
	misfitSpan  = 0.02 // of the most that the sequence needs there
)

// misfit holds a reading against the current that the loads hold there, or the voltage that a source holds there, while they say that they do. A
// reading that fits the setting before is stale and ends the run; one that fits nothing belongs to something else, and its point is not valid.
func (r *runner) misfit(w *row, g *gaugeState, before int) error {
	who, held, span, ok := r.regulated(g)
	if !ok || before == len(g.given) {
		return nil
	}
	now := g.given[len(g.given)-1]
	dim := gaugeDim(g)
	far := func(x, from float64) bool {
		return math.Abs(x-from) > misfitShare*math.Abs(from)+misfitSpan*span+movesByUncertainty*now.u
	}
	if math.IsNaN(now.x) || !far(now.x, held) {
		return nil
	}
	for k := before - 1; k >= 0; k-- {
		if was := g.given[k].expected; !math.IsNaN(was) && was != now.expected {
			if !far(now.x, was) && far(held, was) {
				s := &staleReading{gauge: g.Name(), channel: g.Channel.String(), read: quantity.Of(now.x, dim), from: quantity.Of(was, dim), to: quantity.Of(held, dim)}
				w.invalid("%v", s)
				return &Stop{Kind: Bench, Place: r.place, Where: r.where(), Err: s}
			}
			break
		}
	}
	if !far(-now.x, held) {
		w.invalid("%s (%s) reads %s, and %s holds %s there: it is the wrong way round; exchange its leads", g.Name(), g.Channel, quantity.Of(now.x, dim).Text(4), who, quantity.Of(held, dim))
		return nil
	}
	w.invalid("%s (%s) reads %s, and %s holds %s there: the reading belongs to something else; look for a wrong channel, a lead that is off, or a way past the meter",
		g.Name(), g.Channel, quantity.Of(now.x, dim).Text(4), who, quantity.Of(held, dim))
	return nil
}

// regulated is what the roles say that they hold at a gauge's node: the loads a current, a source a voltage.
func (r *runner) regulated(g *gaugeState) (who string, held, span float64, ok bool) {
	for i := range r.roles {
		role, st := &r.roles[i], r.state[i]
		if role.Need.Node != g.Node || !st.On {
			continue
		}
		switch {
		case g.function == driver.Amps && role.sink != nil && st.Hold.Dim == quantity.Current:
			who, held, span, ok = role.Need.Name, held+st.Hold.SI, math.Max(span, role.Need.Amps.High), true
		case g.function == driver.Volts && role.feed != nil && role.Remote && !st.ForceAmps:
			who, held, span, ok = role.Need.Name, st.Volts, role.Need.Volts.High, true
		case g.function == driver.Amps && role.sink != nil, g.function == driver.Amps && role.feed != nil:
			return "", 0, 0, false
		}
	}
	if math.IsNaN(held) || math.IsNaN(span) || math.IsInf(span, 0) {
		return "", 0, 0, false
	}
	return who, held, span, ok
}

// movedOn tells whether what was expected has moved so far that two readings cannot be alike. A reading that is nothing but the meter's own
// offset says nothing: two of those may be.
func movedOn(was, now given) bool {
	moved := math.Abs(now.expected - was.expected)
	return moved > movesByShare*math.Max(math.Abs(now.expected), math.Abs(was.expected)) && !(moved <= movesByUncertainty*now.u) && math.Abs(now.x) > 2*now.u
}
