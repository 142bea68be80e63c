package hookup

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"fourwire/driver"
	"fourwire/quantity"
)

// trial is one source alone on its node.
type trial struct {
	probe  *probe
	level  level
	seen   survey // with everything else off
	before survey // just before it went on
	half   survey // at half the level
	empty  bool   // nothing at its node draws a current
	status driver.Status
	at     float64 // its own terminal voltage
	amps   float64 // what it delivers
	leak   float64 // what the meter in the line shows on its smallest range, A; NaN: not measured
	stop   bool    // not good enough to go on with
	dead   bool    // it delivers no voltage to speak of
	pulled bool    // a load brought it down to nothing: what feeds the node cannot carry current
}

// Ways of looking.
const (
	settleWithin = time.Second
	settleEvery  = 20 * time.Millisecond
	fineAperture = 20 * time.Millisecond
	fineRepeat   = 3
)

// try puts one source on its node alone, looks at everything, and takes it off again.
func (k *checker) try(ctx context.Context, p *probe, index int) error {
	l := k.level(p, index)
	k.report.Levels = append(k.report.Levels, Level{Channel: p.String(), Node: p.wire.Node, Volts: l.volts, Amps: l.amps, OverV: l.over, NominalV: l.nominal})
	t := &trial{probe: p, level: l, leak: math.NaN()}
	k.trials = append(k.trials, t)
	var err error
	if t.before, err = k.look(ctx, look{volts: l.top}); err != nil {
		return err
	}
	if on, err := k.switchOn(ctx, t); err != nil || !on {
		return err
	}
	if err := k.settle(ctx, t); err != nil {
		return err
	}
	t.half = t.seen
	if err := p.source.SetVolts(ctx, l.setVolts()); err != nil {
		return fmt.Errorf("voltage: %w", err)
	}
	if err := k.settle(ctx, t); err != nil {
		return err
	}
	k.note(p.String(), t.seen)
	if err := k.classify(ctx, t); err != nil {
		return err
	}
	if !t.stop {
		if err := k.carry(ctx, t); err != nil {
			return err
		}
	}
	return k.switchOff(ctx, t)
}

// switchOn sets protection, current limit and voltage, in this order, then switches on.
func (k *checker) switchOn(ctx context.Context, t *trial) (bool, error) {
	p, l := t.probe, t.level
	p.touched = true
	if l.over > 0 {
		if err := p.source.SetProtection(ctx, quantity.Volt(l.over), 0); err != nil {
			return false, fmt.Errorf("protection: %w", err)
		}
	}
	if err := p.source.SetAmps(ctx, quantity.Amp(l.amps)); err != nil {
		return false, fmt.Errorf("current limit: %w", err)
	}
	if err := p.source.SetVolts(ctx, l.setVolts()/2); err != nil {
		return false, fmt.Errorf("voltage: %w", err)
	}
	p.on = true // from here on it counts as on, whatever it answers
	err := p.source.Output(ctx, true)
	if errors.Is(err, driver.ErrNotTaken) {
		t.stop, t.dead = true, true
		k.fault(Fault{Kind: NoOutput, Channel: p.String(), Node: p.wire.Node, Text: p.String() + " does not switch on", Evidence: err.Error(),
			Remedy: "look at its front panel: an interlock, a tripped protection, or something that drives its terminals"})
		return false, nil
	}
	return err == nil, err
}

// settle waits until nothing moves any more.
func (k *checker) settle(ctx context.Context, t *trial) error {
	begun := k.clock.Now()
	var last survey
	for {
		now, err := k.look(ctx, look{volts: t.level.top})
		if err != nil {
			return err
		}
		still := last != nil
		for _, p := range k.probes {
			a, b := last[p].volts, now[p].volts
			if last != nil && math.Abs(a-b) > max(2e-3, 0.005*t.level.volts) {
				still = false
			}
		}
		if still || k.clock.Since(begun) > settleWithin {
			t.seen = now
			break
		}
		last = now
		if err := k.clock.Sleep(ctx, settleEvery); err != nil {
			return err
		}
	}
	var err error
	if t.status, err = t.probe.source.Status(ctx); err != nil {
		return err
	}
	t.read()
	return nil
}

func (t *trial) read() {
	r := t.seen[t.probe]
	t.at, t.amps = r.volts, r.amps-t.before[t.probe].amps
	if math.IsNaN(t.at) { // it does not measure: what is set is what is known
		t.at = t.level.volts
	}
}

// follow is how far a channel goes along with the source: 1 wholly, -1 the other way round, 0 not at all.
func (t *trial) follow(p *probe) float64 {
	moved := t.at - t.before[t.probe].volts
	if !(moved > 0.3*t.level.volts) { // it does not read its terminals, or they were charged
		moved = t.at
	}
	return (t.seen[p].volts - t.before[p].volts) / moved
}

const (
	follows = 0.7
	ignores = 0.1
)

// classify decides what the source meets, as far as this can be told from itself alone.
func (k *checker) classify(ctx context.Context, t *trial) error {
	p, l := t.probe, t.level
	name, node := p.String(), p.wire.Node
	switch {
	case len(t.status.Tripped) > 0 || !t.status.On:
		t.stop, t.dead = true, true
		k.fault(Fault{Kind: NoOutput, Channel: name, Node: node, Text: name + " switched itself off", Evidence: fmt.Sprintf("set %s with a limit of %s, tripped: %v", volts(l.volts), amps(l.amps), t.status.Tripped),
			Remedy: "look what else drives the node, and whether its terminals are strapped as they should be"})
		return nil
	case t.at > 0.85*l.volts:
		return nil
	}
	t.stop = true
	if t.status.Mode != "CC" && t.amps < 0.8*l.amps {
		t.dead = true
		k.fault(Fault{Kind: NoOutput, Channel: name, Node: node, Text: name + " does not deliver what is set", Evidence: fmt.Sprintf("set %s, at its terminals %s, %s", volts(l.volts), volts(t.at), amps(t.amps)),
			Remedy: "look at its front panel, its terminals and its sense straps"})
		return nil
	}
	return k.limited(ctx, t)
}

// limited looks at a node that takes the whole current limit: a short, a diode, or a device of low resistance.
func (k *checker) limited(ctx context.Context, t *trial) error {
	p, l := t.probe, t.level
	name, node := p.String(), p.wire.Node
	if err := p.source.SetAmps(ctx, quantity.Amp(l.amps/2)); err != nil {
		return err
	}
	if err := k.clock.Sleep(ctx, 5*settleEvery); err != nil {
		return err
	}
	half, err := k.look(ctx, look{volts: l.top})
	if err != nil {
		return err
	}
	share := half[p].volts / t.at
	resistance := math.Abs(t.at / l.amps)
	where, evidence := "at or behind "+node, fmt.Sprintf("the limit of %s flows at %s", amps(l.amps), volts(t.at))
	for _, a := range k.ammeters(node) {
		switch shows := t.seen[a].amps; {
		case math.Abs(shows) > 0.7*l.amps:
			evidence += fmt.Sprintf("; %s shows %s, so it lies behind that meter", a, amps(shows))
		case math.Abs(shows) < ignores*l.amps:
			where = fmt.Sprintf("between %s and %s", name, a)
			evidence += fmt.Sprintf("; %s shows %s, so it lies before that meter", a, amps(shows))
		}
	}
	for _, w := range k.witnesses(node) {
		evidence += fmt.Sprintf("; %s reads %s", w, volts(t.seen[w].volts))
	}
	switch {
	case share > 0.8 && t.at > 0.15:
		t.dead = true
		k.fault(Fault{Kind: Polarity, Channel: name, Node: node, Text: fmt.Sprintf("a diode conducts at %s: %s looks reversed there", node, name),
			Evidence: evidence + fmt.Sprintf("; at half the current still %s", volts(half[p].volts)), Remedy: "exchange plus and minus of " + name + " at the device; look for the plus mark"})
	case resistance < 0.5:
		t.dead = true
		k.fault(Fault{Kind: Short, Channel: name, Node: node, Text: fmt.Sprintf("%s sees a short of about %s, %s", name, ohms(resistance), where), Evidence: evidence,
			Remedy: "look for touching conductors, a solder bridge, a wrong strap; measure with everything disconnected"})
	default:
		k.notTold("%s takes the whole test current of %s at %s, as %s would: leads and sense there were not checked at this level", node, amps(l.amps), volts(t.at), ohms(resistance))
	}
	return nil
}

// switchOff takes the source off and waits until its node has come down enough for the next one.
func (k *checker) switchOff(ctx context.Context, t *trial) error {
	if err := k.off(ctx, t.probe); err != nil {
		return err
	}
	if t.probe == k.sources()[len(k.sources())-1] {
		return nil
	}
	begun := k.clock.Now()
	for k.clock.Since(begun) < settleWithin {
		now, err := k.look(ctx, look{volts: t.level.top})
		if err != nil {
			return err
		}
		if math.Abs(now[t.probe].volts) < 0.1*t.level.volts {
			return nil
		}
		if err := k.clock.Sleep(ctx, 2*settleEvery); err != nil {
			return err
		}
	}
	return nil
}

// live tells whether a node has voltage with every output off: then nothing is switched on at all.
func (k *checker) live(rest survey) bool {
	any := false
	for _, p := range k.probes {
		v := rest[p].volts
		if !(math.Abs(v) > float64(driver.DischargedVolts)) {
			continue
		}
		any = true
		k.fault(Fault{Kind: Live, Channel: p.String(), Node: p.wire.Node, Text: p.wire.Node + " has voltage although every output is off", Evidence: fmt.Sprintf("%s reads %s", p, volts(v)),
			Remedy: "wait until it is discharged, or look for a battery, a charged capacitor or another supply; nothing was switched on. A device that lives on its own battery cannot be checked so: run it with --no-hookup"})
	}
	return any
}

// earths warns of two channels whose minus is joined to protective earth.
func (k *checker) earths() {
	var earthed []string
	for _, w := range k.Bench.Wiring {
		if name := (&probe{wire: w}).String(); w.Earthed && !slices.Contains(earthed, name) {
			earthed = append(earthed, name)
		}
	}
	if len(earthed) < 2 {
		return
	}
	k.fault(Fault{Kind: TwoEarths, Doubt: true, Channel: earthed[0], Other: earthed[1], Text: fmt.Sprintf("%d channels are joined to earth: %s", len(earthed), join(earthed)),
		Evidence: "the bench file says so; it was not measured", Remedy: "leave one of them earthed, or make sure that all meet at one point: current through earth goes past the ammeters"})
}

func join(words []string) string {
	switch len(words) {
	case 0:
		return ""
	case 1:
		return words[0]
	}
	out := words[0]
	for _, w := range words[1 : len(words)-1] {
		out += ", " + w
	}
	return out + " and " + words[len(words)-1]
}
