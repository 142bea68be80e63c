package driver

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fourwire/transport"
)

// TakeOver is for a second controller that steps in for one that is gone: what runs in the instrument is stopped, readings, recordings, lists and triggers,
// whether this side has started them or not, then every output and input is switched off and verified, loads before sources. Nothing is
// waited for before the commands have gone out. Where the connection is lost it is opened once more, as far as the wire can.
func (in *Instrument) TakeOver(ctx context.Context) error {
	err := in.takeOver(ctx)
	if err != nil && errors.Is(err, transport.ErrLost) {
		if again := in.device.Redial(ctx); again != nil {
			return errors.Join(err, again)
		}
		err = in.takeOver(ctx)
	}
	for i := range in.channels {
		in.channels[i].forget()
	}
	return err
}

func (in *Instrument) takeOver(ctx context.Context) error {
	in.giveUp()
	var stopped error
	for i := range in.channels {
		if c := &in.channels[i]; c.canSay("abort") {
			stopped = c.wrap(c.utter(ctx, word{verb: "abort"})) // one abort stops all channels of an instrument
			break
		}
	}
	off := in.allOff(ctx)
	for i := range in.channels {
		if c := &in.channels[i]; c.spec.Records != nil && !c.canSay("abort") {
			stopped = errors.Join(stopped, c.wrap(c.utter(ctx, word{verb: "record stop"})))
		}
	}
	if off != nil {
		return errors.Join(off, stopped)
	}
	return nil // it is off, whatever was said to the abort
}

// AnyOn tells whether an output or input of the instrument is on. A channel that cannot say is left out.
func (in *Instrument) AnyOn(ctx context.Context) (bool, error) {
	for i := range in.channels {
		c := &in.channels[i]
		if !c.switches() {
			continue
		}
		on, known, err := c.isOn(ctx)
		if err != nil {
			return false, c.wrap(err)
		}
		if known && on {
			return true, nil
		}
	}
	return false, nil
}

// HasWatchdog tells whether the instrument can switch its outputs off by itself when no message comes.
func (in *Instrument) HasWatchdog() bool { return in.model.Dialect.CanSay("arm watchdog") }

// ArmWatchdog has the instrument switch its outputs off when no message comes for so long.
func (in *Instrument) ArmWatchdog(ctx context.Context, after time.Duration) error {
	if !in.HasWatchdog() {
		return in.channels[0].cannot("watching its controller")
	}
	if err := in.channels[0].act(ctx, word{verb: "arm watchdog", x: after.Seconds()}); err != nil {
		return fmt.Errorf("the watchdog: %w", err)
	}
	return nil
}

// FeedWatchdog tells an armed watchdog that the controller lives.
func (in *Instrument) FeedWatchdog(ctx context.Context) error {
	if in.model.Dialect.CanSay("feed watchdog") {
		return in.channels[0].say(ctx, word{verb: "feed watchdog"})
	}
	_, err := in.device.Identify(ctx) // any message does; this one changes nothing
	return err
}

// DisarmWatchdog ends the watch.
func (in *Instrument) DisarmWatchdog(ctx context.Context) error {
	return in.channels[0].act(ctx, word{verb: "disarm watchdog"})
}
