package driver

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fourwire/transport"
)

// Prepare brings the instrument into a known state: taken over from its front panel, errors and status cleared, outputs off, settings
// at their start, and outputs off verified, since a reset does not switch every instrument off.
func (in *Instrument) Prepare(ctx context.Context) error {
	in.giveUp()
	first := &in.channels[0]
	if first.canSay("remote") {
		if err := first.utter(ctx, word{verb: "remote"}); err != nil {
			return err
		}
	}
	if err := in.device.Clear(ctx); err != nil {
		return err
	}
	if err := in.stopWhatRuns(ctx, true); err != nil {
		return err
	}
	if err := in.allOff(ctx); err != nil {
		return err
	}
	if first.canSay("reset") {
		if err := first.utter(ctx, word{verb: "reset"}); err != nil {
			return err
		}
		longest := in.model.Timing.Reset
		if longest == 0 {
			longest = resetWithin
		}
		if err := in.device.WaitComplete(ctx, longest); err != nil {
			return fmt.Errorf("the reset: %w", err)
		}
		if err := in.allOff(ctx); err != nil {
			return err
		}
	}
	for i := range in.channels {
		c := &in.channels[i]
		if c.spec.Records != nil && !first.canSay("reset") { // that of an earlier user may still run
			if err := c.utter(ctx, word{verb: "record stop"}); err != nil {
				return err
			}
		}
		if !first.canSay("reset") {
			if err := c.clearModes(ctx); err != nil {
				return err
			}
		}
		c.forget()
		c.recording, c.list = nil, nil
	}
	return in.device.Check(ctx)
}

// stopWhatRuns stops captures and lists, those of somebody else included where whoever is set: what is switched off then stays off. What the
// instrument says to it is seen later.
func (in *Instrument) stopWhatRuns(ctx context.Context, whoever bool) error {
	for i := range in.channels {
		c := &in.channels[i]
		runs := c.captures() || c.list != nil && c.list.following
		able := c.spec.Lists != nil || c.spec.Digitises != nil
		if able && (runs || whoever) && c.canSay("abort") {
			return c.wrap(c.utter(ctx, word{verb: "abort"})) // one abort stops all channels of an instrument
		}
	}
	return nil
}

// clearModes brings a channel back to fixed values and silent trigger lines where no reset does it.
func (c *channel) clearModes(ctx context.Context) error {
	var words []word
	if c.spec.Lists != nil {
		words = append(words, word{verb: "fixed volts"}, word{verb: "fixed amps"})
	}
	if t := c.spec.Triggers; t != nil {
		for line := range t.Lines {
			words = append(words, word{verb: "pulse never", x: float64(line + 1)})
		}
	}
	return c.wrap(c.utter(ctx, c.sayable(words)...))
}

// forget drops what is believed of a channel's settings.
func (c *channel) forget() {
	c.limited, c.level, c.mode, c.levelRange = false, false, "", 0
	c.forces, c.complies = false, false
	c.measuring = measuring{inputs: c.inputs}
	c.capture, c.stands = nil, standing{}
	if c.list != nil { // it is not followed by chance: the next fixed value puts it back
		c.list.running, c.list.of = false, 0
	}
	if c.recording != nil {
		c.recording.running = false // what it has taken can still be fetched
	}
}

// switches tells whether a channel has an output or input to switch off.
func (c *channel) switches() bool { return c.spec.Source != nil || c.spec.Load != nil }

// allOff switches every output and input off and verifies it, loads before sources.
func (in *Instrument) allOff(ctx context.Context) error {
	var all error
	for _, loads := range []bool{true, false} {
		for i := range in.channels {
			c := &in.channels[i]
			if !c.switches() || (c.spec.Load != nil) != loads {
				continue
			}
			if err := c.off(ctx); err != nil {
				all = errors.Join(all, c.wrap(err))
			}
		}
	}
	return all
}

// Abort stops lists, which go to their fixed values, and captures, switches every output and input off, and stops readings and recordings, without waiting
// for answers that are still to come. Where the connection is lost it is opened once more, as far as the wire can.
func (in *Instrument) Abort(ctx context.Context) error {
	in.giveUp()
	err := in.stopAndOff(ctx)
	if err != nil && errors.Is(err, transport.ErrLost) {
		if again := in.device.Redial(ctx); again != nil {
			return errors.Join(err, again)
		}
		err = in.stopAndOff(ctx)
	}
	stop := in.stopReadings(ctx)
	for i := range in.channels {
		in.channels[i].forget()
	}
	return errors.Join(err, stop)
}

// stopAndOff stops captures and lists, then switches off, whatever became of the former.
func (in *Instrument) stopAndOff(ctx context.Context) error {
	stopped := in.stopWhatRuns(ctx, false)
	off := in.allOff(ctx)
	if off == nil {
		return nil // it is off, whatever was said to the abort
	}
	return errors.Join(off, stopped)
}

// stopReadings stops acquisitions and recordings; instruments that cannot stop an acquisition let it run out.
func (in *Instrument) stopReadings(ctx context.Context) error {
	for i := range in.channels {
		c := &in.channels[i]
		running := c.running != nil || c.records()
		c.running = nil
		verb := "abort"
		if c.records() && !c.canSay(verb) {
			verb = "record stop"
		}
		if running && c.canSay(verb) {
			if err := c.utter(ctx, word{verb: verb}); err != nil {
				return c.wrap(err)
			}
			err := c.wrap(in.device.Check(ctx))
			if verb == "abort" || err != nil {
				return err // one abort stops all channels of an instrument
			}
		}
	}
	return nil
}

// Release gives the instrument back to its front panel, outputs off.
func (in *Instrument) Release(ctx context.Context) error {
	err := in.Abort(ctx)
	if first := &in.channels[0]; first.canSay("local") {
		err = errors.Join(err, first.utter(ctx, word{verb: "local"}))
	}
	return err
}

// giveUp drops an answer that is still awaited.
func (in *Instrument) giveUp() {
	if in.posed == nil {
		return
	}
	in.posed.err = fmt.Errorf("the reading was given up: %w", ErrNoReading)
	in.posed = nil
	in.device.Forget()
}

// longReading is the aperture from which the end is waited for without blocking the connection.
const longReading = 500 * time.Millisecond
