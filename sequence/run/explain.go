package run

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"syscall"

	"fourwire/driver"
	"fourwire/driver/ieee488"
	"fourwire/quantity"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/transport"
)

// Cause is why a run ended early or a point is not valid, in words of the trade: what it is, the evidence, and what to do.
type Cause struct{ What, Evidence, Remedy string }

// String is the cause in one sentence: "what: evidence; remedy".
func (c Cause) String() string {
	text := c.What
	if c.Evidence != "" {
		text += ": " + c.Evidence
	}
	if c.Remedy != "" {
		text += "; " + c.Remedy
	}
	return text
}

// cause explains what ended the run. The zero Cause says that nothing did.
func (r *runner) cause(err error) Cause {
	if err == nil {
		return Cause{}
	}
	var stop *Stop
	_ = errors.As(err, &stop)
	var fault *ieee488.Fault
	_ = errors.As(err, &fault)
	for _, explain := range []func(error, *Stop, *ieee488.Fault) (Cause, bool){r.causeInside, r.causeOfRecord, r.causeOfState, r.causeOfLink, r.causeOfAnswer, r.causeOfRefusal} {
		if c, ok := explain(err, stop, fault); ok {
			return c
		}
	}
	if stop != nil {
		return Cause{What: stop.Err.Error()}
	}
	return Cause{What: err.Error()}
}

// guardBreach is a value beyond a guard, or a protection that tripped. about is the node or the role.
type guardBreach struct {
	text, node string
	tripped    []string
}

// Error is what was read.
func (g *guardBreach) Error() string { return g.text }

// causeInside explains what the runner itself has found.
func (r *runner) causeInside(err error, stop *Stop, _ *ieee488.Fault) (Cause, bool) {
	var hand *changedByHand
	var old *staleReading
	var breach *guardBreach
	var latched *notBack
	switch {
	case errors.As(err, &hand):
		return Cause{"a setting was changed by hand", fmt.Sprintf("the %s of %s (%s) is %s, and this run has set %s", hand.what, hand.role, hand.channel, hand.said, hand.sent),
			"keep hands and other controllers off the instrument, lock its front panel, and run again"}, true
	case errors.As(err, &old):
		return Cause{"a stale reading", fmt.Sprintf("%s (%s) gives %s as before the last setting, while about %s is expected now", old.gauge, old.channel, old.read, old.to.Text(3)),
			"use a model whose words start each reading (start, then read), or lengthen its aperture"}, true
	case errors.As(err, &latched):
		return Cause{"the device has latched up", latched.Error(),
			"only taking its power away for longer than its node takes to discharge clears it; look at what the step before did to it"}, true
	case errors.As(err, &breach):
		return r.causeOfBreach(breach), true
	case stop != nil && stop.Kind == Interrupted:
		return Cause{"interrupted", stop.Err.Error(), ""}, true
	case stop != nil && stop.Kind == Fault:
		return Cause{"a fault of this program", stop.Err.Error(), "the log of the record has the place; please report it"}, true
	}
	return Cause{}, false
}

func (r *runner) causeOfBreach(b *guardBreach) Cause {
	for _, t := range b.tripped {
		switch t {
		case "over-voltage":
			return Cause{"over-voltage protection tripped", b.text, "look for an open or reversed sense lead, an overshoot, or energy fed back; find the reason before it is reset"}
		case "over-current":
			return Cause{"over-current protection tripped", b.text, "look for a short or an inrush; find the reason before it is reset"}
		case "over-temperature":
			return Cause{"the instrument is too hot", b.text, "clear its air inlets, let it cool, and use it below its full power"}
		case "over-power":
			return Cause{"over-power protection tripped", b.text, "use a load with more power, or a lower level"}
		case "reverse-voltage":
			return Cause{"reverse polarity", b.text, "exchange plus and minus at the load"}
		}
	}
	if volts, ok := r.lastRead(sequence.Volts, b.node); ok {
		for i := range r.roles {
			role, st := &r.roles[i], r.state[i]
			if role.feed != nil && role.Need.Node != b.node && st.Volts > 0 && math.Abs(volts-st.Volts) <= 0.02*st.Volts {
				return Cause{"a guard was reached", fmt.Sprintf("%s; it is what %s holds at %s", b.text, role.Need.Name, role.Need.Node),
					"look for a wrong channel (two voltmeters exchanged), or a device whose input and output are joined"}
			}
		}
	}
	return Cause{"a guard was reached", b.text, "the outputs are off; look at the device before you run again"}
}

// causeOfRecord explains a record that cannot be written.
func (r *runner) causeOfRecord(err error, _ *Stop, _ *ieee488.Fault) (Cause, bool) {
	var full *record.FullError
	switch {
	case r.sinkErr == nil || !errors.Is(err, r.sinkErr):
		return Cause{}, false
	case errors.As(r.sinkErr, &full) || errors.Is(r.sinkErr, syscall.ENOSPC):
		return Cause{"the disk with the record is full", r.sinkErr.Error(), "make room; the points so far are kept"}, true
	}
	return Cause{"the record cannot be written", r.sinkErr.Error(), "look at the disk and its rights; the points so far are kept"}, true
}

// causeOfState explains instruments that are not as they were left.
func (r *runner) causeOfState(err error, _ *Stop, fault *ieee488.Fault) (Cause, bool) {
	if other := faultOf(err, ieee488.ErrStranger); other != nil {
		fault = other
	}
	who := whoOf(fault)
	switch {
	case errors.Is(err, driver.ErrRestarted):
		return Cause{who + " has restarted", "its event register shows a power-on in the middle of the run; its settings are gone and its outputs off",
			"look at its mains lead and its fuse, and whether somebody switched it; then run again"}, true
	case errors.Is(err, ieee488.ErrStranger):
		return Cause{"another instrument answers at the address of " + who, lastOf(fault.Err), "look at the addresses: two instruments may have exchanged theirs, or one was replaced"}, true
	case errors.Is(err, driver.ErrNotTaken):
		return Cause{"a setting was not taken", tail(err), "look whether the instrument is locked, in another mode, or at an end of its range"}, true
	case errors.Is(err, errWentOff):
		return Cause{"an output went off by itself", tail(err), "look at interlock, inhibit input and front panel"}, true
	}
	return Cause{}, false
}

// causeOfLink explains lines that are cut and instruments that are silent.
func (r *runner) causeOfLink(err error, _ *Stop, fault *ieee488.Fault) (Cause, bool) {
	if fault == nil {
		return Cause{}, false
	}
	who, asked := whoOf(fault), ""
	if fault.Sent != "" {
		asked = "asked " + fault.Sent + ", "
	}
	switch {
	case errors.Is(err, transport.ErrLost) && errors.Is(err, transport.ErrRefused):
		return Cause{"the connection to " + who + " was lost, and it takes no new one", asked + "the line ended: " + lastOf(fault.Err), "look at its mains and its cable; it may be off, restarting, or in use by another program"}, true
	case errors.Is(err, transport.ErrLost):
		return Cause{"the connection to " + who + " was lost", asked + "the line ended: " + lastOf(fault.Err), "look at cable, switch and mains of " + who + "; another program may have taken its only connection"}, true
	case errors.Is(err, transport.ErrRefused):
		return Cause{who + " takes no connection", lastOf(fault.Err), "it may be off, restarting, or in use by another program"}, true
	case errors.Is(err, ieee488.ErrPartialAnswer):
		return Cause{"an answer of " + who + " broke off", asked + lastOf(fault.Err), "a length that does not fit what came: look at its firmware, or at noise on a serial line"}, true
	case errors.Is(err, ieee488.ErrNoAnswer) && len(fault.Queue) == 0:
		return Cause{who + " does not answer", asked + "nothing came in time", "it hangs or is busy: look at its display, and switch it off and on"}, true
	case errors.Is(err, transport.ErrTooLong), errors.Is(err, transport.ErrGarbled):
		return Cause{who + " sends without end or sense", lastOf(fault.Err), "look at its interface settings; another instrument or program may be on its line"}, true
	}
	return Cause{}, false
}

// causeOfAnswer explains answers that make no sense.
func (r *runner) causeOfAnswer(err error, _ *Stop, fault *ieee488.Fault) (Cause, bool) {
	if fault == nil || !errors.Is(err, ieee488.ErrUnreadable) && !errors.Is(err, ieee488.ErrEmptyAnswer) {
		return Cause{}, false
	}
	return Cause{"an answer of " + whoOf(fault) + " makes no sense", "asked " + fault.Sent + ": " + lastOf(fault.Err),
		"it is noise, another speed of the line, or the answer to an earlier question: look whether another program talks to it"}, true
}

// causeOfRefusal explains what stands in an error queue.
func (r *runner) causeOfRefusal(_ error, _ *Stop, fault *ieee488.Fault) (Cause, bool) {
	if fault == nil || len(fault.Queue) == 0 {
		return Cause{}, false
	}
	who, first := whoOf(fault), fault.Queue[0]
	evidence := first.Error()
	if fault.Sent != "" {
		evidence += " after " + fault.Sent
	}
	switch n := first.Number; {
	case n == -222:
		return Cause{who + " refuses a value", evidence, "the value is outside what it can do in its present range; compare the model file with its data sheet"}, true
	case n == -221:
		return Cause{who + " refuses a setting in its present state", evidence, "a protection may be latched, or another mode be in the way"}, true
	case n == -230:
		return Cause{who + " has no reading", evidence, "nothing had been started, or a restart has dropped it"}, true
	case n <= -100 && n > -200:
		return Cause{who + " does not understand", evidence, "the model file does not speak its dialect"}, true
	case n <= -400 && n > -500:
		return Cause{"question and answer of " + who + " are out of step", evidence, "another program may talk to it"}, true
	case n <= -300 && n > -400 || n > 0:
		return Cause{who + " reports an error of its own", evidence, "no command of this run need have caused it; look it up in its manual"}, true
	}
	return Cause{who + " reports an error", evidence, "look it up in its manual"}, true
}

// faultOf finds, in all that an error wraps, the fault of a kind; nil where there is none.
func faultOf(err, kind error) *ieee488.Fault {
	if fault, ok := err.(*ieee488.Fault); ok && errors.Is(fault.Err, kind) {
		return fault
	}
	switch w := err.(type) {
	case interface{ Unwrap() error }:
		return faultOf(w.Unwrap(), kind)
	case interface{ Unwrap() []error }:
		for _, inner := range w.Unwrap() {
			if f := faultOf(inner, kind); f != nil {
				return f
			}
		}
	}
	return nil
}

// whoOf is the instrument that a fault belongs to.
func whoOf(fault *ieee488.Fault) string {
	if fault == nil || fault.Instrument == "" {
		return "an instrument"
	}
	return fault.Instrument
}

// tail is the innermost part of an error's text: what stands behind place and coordinates.
func tail(err error) string {
	var stop *Stop
	if errors.As(err, &stop) {
		return stop.Err.Error()
	}
	return err.Error()
}

// lastOf is the text of a fault's own error without the address in front.
func lastOf(err error) string {
	if err == nil {
		return ""
	}
	var wire *transport.Error
	if errors.As(err, &wire) && wire.Err != nil && strings.HasPrefix(err.Error(), wire.Address+": ") {
		return wire.Err.Error()
	}
	return err.Error()
}

// explain says in trade words what a wrong mode means, with what was read there and what to do.
func (r *runner) explain(i int, mode, want string) string {
	role, st := &r.roles[i], r.state[i]
	name, evidence := role.Need.Name, r.evidence(role.Need.Node)
	switch {
	case role.feed != nil && mode == "CC":
		return fmt.Sprintf("%s is in current limit (CC): it gives no more than %s and cannot hold %s%s%s", name, quantity.Amp(st.Amps), quantity.Volt(st.Volts), evidence, r.limited(i))
	case role.feed != nil:
		return fmt.Sprintf("%s does not regulate (%s): %s is set%s%s", name, mode, quantity.Volt(st.Volts), evidence, "; look at its sense leads and at what feeds current back")
	case mode == "unregulated":
		return fmt.Sprintf("%s does not hold %s%s%s", name, st.Hold, evidence, r.lowEnd(i))
	}
	return fmt.Sprintf("%s is in %s, %s (%s) is asked%s", name, mode, want, st.Hold, evidence)
}

// usualEfficiency is that of a converter about which nothing else is known; common practice, no source.
const usualEfficiency = 0.85

// limited says why a source is in its limit: it gives less than it is set to, or the device asks for more, at start-up mostly.
func (r *runner) limited(i int) string {
	role, st := &r.roles[i], r.state[i]
	amps, hasAmps := r.lastRead(sequence.Amps, role.Need.Node)
	if hasAmps && amps < 0.9*st.Amps {
		return fmt.Sprintf("; it is set to %s and gives %s: it limits below its setting (derated, at its own power limit, or faulty): lower the power, or use another source", quantity.Amp(st.Amps), quantity.Amp(amps))
	}
	volts, hasVolts := r.lastRead(sequence.Volts, role.Need.Node)
	watts := r.loadWatts()
	if !hasVolts || volts <= 0 || watts == 0 {
		return "; raise its current limit if the device may take more, or look for a short"
	}
	if volts < 0.1*st.Volts {
		return "; at so low a voltage no device runs: look for a short at " + role.Need.Node + ", or a lead that touches another"
	}
	asked := watts / usualEfficiency / volts
	if asked <= st.Amps {
		return "; the device takes more than its load explains: look for a short, a latched device, or a second load"
	}
	return fmt.Sprintf("; current limit reached: about %s asked at %s, %s allowed; start unloaded, raise the limit, or take a smaller load",
		quantity.Of(asked, quantity.Current).Text(2), quantity.Of(volts, quantity.Voltage).Text(3), quantity.Amp(st.Amps))
}

// loadWatts is the power that the loads are asked to take, at the voltage that their outputs are meant to have.
func (r *runner) loadWatts() float64 {
	sum := 0.0
	for k := range r.roles {
		role, st := &r.roles[k], r.state[k]
		if role.sink == nil || !st.On {
			continue
		}
		volts := role.Need.AtVolts.Low
		switch st.Hold.Dim {
		case quantity.Current:
			sum += st.Hold.SI * volts
		case quantity.Power:
			sum += st.Hold.SI
		case quantity.Resistance:
			sum += volts * volts / st.Hold.SI
		}
	}
	if math.IsNaN(sum) {
		return 0
	}
	return sum
}

// lastRead is the last reading of a node; false where there is none.
func (r *runner) lastRead(f sequence.Function, node string) (float64, bool) {
	k := r.plan.GaugeIndex(f, node)
	if k < 0 || !r.gauges[k].read || r.gauges[k].last.Overload {
		return 0, false
	}
	return r.gauges[k].last.Value.X, true
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

// lowEnd says why a load does not hold its level: too little voltage, or something of its own.
func (r *runner) lowEnd(i int) string {
	role, hold := &r.roles[i], r.state[i].Hold
	volts, ok := r.lastRead(sequence.Volts, role.Need.Node)
	if !ok || hold.Dim != quantity.Current {
		return ""
	}
	left := volts - 2*hold.SI*role.LeadOhm
	least := math.Max(role.MinVolts, hold.SI*role.MinOhms)
	if nominal := role.Need.AtVolts.Low; role.Need.AtVolts.Set && volts < 0.05*nominal {
		return fmt.Sprintf("; %s has no voltage: the device does not run; it may be below its turn-on voltage, not enabled, not connected, or shut down", role.Need.Node)
	}
	if least == 0 || left >= least {
		return "; there is voltage enough: an open lead, or the load itself is at fault"
	}
	return fmt.Sprintf("; behind its leads it has %s and needs %s to carry that: use a load for lower voltage, or shorter leads", quantity.Of(left, quantity.Voltage).Text(3), quantity.Of(least, quantity.Voltage).Text(3))
}
