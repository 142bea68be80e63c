package driver

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"fourwire/driver/model"
	"fourwire/internal/ledger"
)

// Status is what a source or load is doing.
type Status struct {
	On      bool
	Mode    string   // "CV", "CC", "CR", "CP", "off" or "unregulated"; empty where the instrument cannot say
	Tripped []string // "over-voltage", "over-current", "over-power", "over-temperature", "reverse-voltage"
}

// status asks for the status; an instrument without one still says whether it is on, if it can.
func (c *channel) status(ctx context.Context) (Status, error) {
	verb := "status"
	if !c.canAsk(verb) {
		verb = "switch"
	}
	if !c.canAsk(verb) {
		return Status{}, c.cannot("telling its status")
	}
	a, err := c.ask(ctx, verb)
	if err != nil {
		return Status{}, c.wrap(err)
	}
	if verb == "switch" {
		s := Status{On: a.isOn("on")}
		if !s.On {
			s.Mode = "off"
		}
		return s, nil
	}
	return c.interpret(a), nil
}

// interpret turns states into a status. Modes are looked at in the order of the model file, since some instruments show two at once.
func (c *channel) interpret(a answer) Status {
	states := a.states()
	s := Status{On: slices.Contains(states, "on")}
	if !slices.ContainsFunc(a.query.Means, func(m model.Meaning) bool { return m.State == "on" }) {
		// the file does not say how on looks: a channel that regulates is on
		s.On = slices.ContainsFunc(states, func(state string) bool { return isMode(state) || state == "unregulated" })
	}
	trips := model.TripStates()
	for _, state := range states {
		switch {
		case slices.Contains(trips, state):
			s.Tripped = append(s.Tripped, state)
		case isMode(state) && s.Mode == "":
			s.Mode = state
		}
	}
	switch {
	case !s.On:
		s.Mode = "off"
	case slices.Contains(states, "unregulated"):
		s.Mode = "unregulated"
	}
	return s
}

func isMode(state string) bool { return len(state) == 2 && state[0] == 'C' }

// isOn asks whether the channel is on; known is false where the instrument cannot say.
func (c *channel) isOn(ctx context.Context) (on, known bool, err error) {
	if c.canAsk("switch") {
		a, err := c.ask(ctx, "switch")
		return err == nil && a.isOn("on"), true, err
	}
	if c.canAsk("status") {
		s, err := c.status(ctx)
		return s.On, true, err
	}
	return false, false, nil
}

// turn switches and verifies.
func (c *channel) turn(ctx context.Context, on bool) error {
	if !on {
		return c.wrap(c.off(ctx))
	}
	defer c.in.whole(ctx, ledger.OutputUp).Leave()
	if err := c.act(ctx, word{verb: "switch on"}); err != nil {
		return c.wrap(err)
	}
	is, known, err := c.isOn(ctx)
	if err != nil {
		return c.wrap(err)
	}
	if known && !is {
		reason := ""
		if s, err := c.status(ctx); err == nil && len(s.Tripped) > 0 {
			reason = "; tripped: " + strings.Join(s.Tripped, ", ")
		}
		return c.wrap(fmt.Errorf("%w: it was switched on, and is off%s", ErrNotTaken, reason))
	}
	return nil
}

// off switches off and verifies. It waits for nothing before the command has gone out: an answer that is still awaited is given up, and a link
// out of step takes commands.
func (c *channel) off(ctx context.Context) error {
	c.in.giveUp()
	defer c.in.whole(ctx, ledger.OutputDown).Leave()
	if err := c.utter(ctx, word{verb: "switch off"}); err != nil {
		return err
	}
	is, known, err := c.isOn(ctx)
	switch {
	case err == nil && known && !is:
		return nil // what the queue holds stays there for the next look: it is not about this
	case err == nil && known:
		err = fmt.Errorf("%w: it was switched off, and is on", ErrNotTaken)
	}
	return errors.Join(err, c.in.device.Check(ctx))
}
