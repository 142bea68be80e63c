package driver

import (
	"errors"
	"fmt"

	"fourwire/driver/ieee488"
	"fourwire/quantity"
)

// Kinds of error, for errors.Is.
var (
	ErrIdentity     = errors.New("another instrument than expected answers")
	ErrNoAbility    = errors.New("the instrument cannot do this")
	ErrNotTaken     = errors.New("the instrument did not take the setting")
	ErrOrder        = errors.New("limits come before the output")
	ErrBusy         = errors.New("another reading is under way")
	ErrNoReading    = errors.New("the instrument has no reading")
	ErrNotTriggered = errors.New("no trigger has come")
	ErrRestarted    = ieee488.ErrRestarted
)

// LimitError is a setpoint that the model does not allow; nothing was sent.
type LimitError struct {
	Instrument string
	Channel    int
	What       string // "voltage", "current limit", "over-voltage protection"...
	Asked      quantity.Quantity
	Allowed    quantity.Span
}

// Error says what was asked and what would have been allowed.
func (e *LimitError) Error() string {
	return fmt.Sprintf("%s of %s asked of %s channel %d, which takes %s", e.What, e.Asked, e.Instrument, e.Channel, e.Allowed)
}

// cannot says that an ability is missing.
func (c *channel) cannot(what string) error {
	return c.wrap(fmt.Errorf("%s: %w (model %s)", what, ErrNoAbility, c.in.model.Name))
}

// wrap says which channel an error belongs to. A fault names the instrument already.
func (c *channel) wrap(err error) error {
	if err == nil {
		return nil
	}
	var fault *ieee488.Fault
	if errors.As(err, &fault) {
		if len(c.in.channels) > 1 {
			return fmt.Errorf("channel %d: %w", c.number, err)
		}
		return err
	}
	return fmt.Errorf("%s channel %d: %w", c.in.config.Name, c.number, err)
}

// within checks a setpoint against what the model allows.
func (c *channel) within(what string, x float64, dim quantity.Dimension, allowed quantity.Span) error {
	if allowed.Holds(x) {
		return nil
	}
	return &LimitError{Instrument: c.in.config.Name, Channel: c.number, What: what, Asked: quantity.Of(x, dim), Allowed: allowed}
}
