package hookup

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"fourwire/driver"
	"fourwire/driver/bench"
	"fourwire/driver/model"
)

// sense lets a source regulate at its node and looks what that changes. It gives false where the source is no longer on.
//
// With both sense leads closed the node stands where the terminals stood, under current too. An open lead leaves the drop of its own conductor, and
// falls back inside the instrument through a resistor, which moves the output a little even without current. A meter in the plus line tells the two
// leads apart: on a range of more burden it drops more, which only an open plus lead lets through.
func (k *checker) sense(ctx context.Context, t *trial, s *step, g *probe, loop resistance) (on bool, err error) {
	p := t.probe
	if p.wire.Sense != bench.Remote {
		return true, nil
	}
	if !t.level.guarded {
		k.notTold("the sense leads of %s: reversed ones run its output up, and its protection cannot be set below %s", p, volts(t.level.top))
		return true, nil
	}
	fine := look{volts: t.level.top, aperture: 2 * fineAperture, repeat: fineRepeat}
	local, err := k.look(ctx, fine)
	if err != nil {
		return true, err
	}
	if err := p.source.Sense(ctx, true); err != nil {
		return true, err
	}
	if err := k.clock.Sleep(ctx, 3*settleEvery); err != nil {
		return true, err
	}
	status, err := p.source.Status(ctx)
	if err != nil {
		return true, err
	}
	if !status.On || slices.Contains(status.Tripped, "over-voltage") {
		k.runsUp(t, fmt.Sprintf("set %s, it tripped at %s when it sensed at the node", volts(t.level.volts), volts(t.level.over)))
		p.on = status.On
		return status.On, nil
	}
	remote, err := k.look(ctx, fine)
	if err != nil {
		return true, err
	}
	if remote[g].volts > 1.1*t.level.volts {
		k.runsUp(t, fmt.Sprintf("set %s, the node stands at %s", volts(t.level.volts), volts(remote[g].volts)))
		return true, nil
	}
	if s == nil || math.IsInf(loop.u, 1) {
		k.senseAtRest(t, g, local, remote)
		return true, nil
	}
	return true, k.senseUnderCurrent(ctx, t, s, g, loop, local, remote)
}

func (k *checker) runsUp(t *trial, evidence string) {
	k.fault(Fault{Kind: ReversedSense, Channel: t.probe.String(), Node: t.probe.wire.Node, Text: fmt.Sprintf("%s runs up when it senses at %s: its sense leads look exchanged", t.probe, t.probe.wire.Node),
		Evidence: evidence, Remedy: "exchange the sense leads; on an instrument without a fall-back inside, an open sense lead does the same"})
}

// least is the smallest change of a node's voltage that counts as one, V: five times the scatter, and 300 ppm of the level for what relays do.
func (k *checker) least(t *trial, g *probe, aperture time.Duration) float64 {
	return max(5*noise(g.spec.Volts, t.level.top, aperture), 300e-6*t.level.volts)
}

// senseAtRest judges sense leads without a current in the leads.
func (k *checker) senseAtRest(t *trial, g *probe, local, remote survey) {
	moved := remote[g].volts - local[g].volts
	least := k.least(t, g, 2*fineAperture)
	if math.Abs(moved) > least {
		evidence := fmt.Sprintf("with no current in the leads the node moves by %s when %s goes from local to remote sense, %s are allowed: it falls back inside the instrument; without current plus and minus cannot be told apart",
			volts(moved), t.probe, volts(least))
		if t.empty {
			evidence += "; since nothing draws a current at the node, a supply lead that is open looks the same: look at both"
		}
		k.openSense(t.probe, "one of both", evidence)
		return
	}
	k.notTold("an open sense lead of %s that moves its output by less than %s: no current flows in its leads at this level", t.probe, volts(least))
}

// senseUnderCurrent judges them by what the node loses under current.
func (k *checker) senseUnderCurrent(ctx context.Context, t *trial, s *step, g *probe, loop resistance, local, remote survey) error {
	burden := k.burden(t.probe.wire.Node, s.look)
	conductor := max((loop.ohm-burden)/2, 0)
	least := k.least(t, g, s.look.aperture)
	flows := s.amps
	var lost, tolerance float64 // ohm: what the node still loses, and how much of it counts
	var fellBack bool           // the node has moved by more than the drop of the leads
	if s.load != nil {
		rest, err := k.unloaded(ctx, s, g)
		if err != nil {
			return err
		}
		lost = (rest[g].volts - remote[g].volts) / flows
		tolerance = max(0.5*conductor, loop.u+3*noise(g.spec.Volts, t.level.top, s.look.aperture)/flows)
		drawn := t.leak // by the device alone, so that remote sense makes up for its drop
		if math.IsNaN(drawn) {
			drawn = s.low[t.probe].amps - t.before[t.probe].amps
		}
		fellBack = math.Abs(rest[g].volts-s.low[g].volts-drawn*loop.ohm) > least+math.Abs(drawn)*loop.u
	} else {
		flows = remote[t.probe].amps - t.before[t.probe].amps
		if stated := 2 * t.probe.wire.LeadOhm; stated > 0 && loop.u > stated { // so little current that the file knows better
			loop = resistance{stated + burden, stated*2/3 + 10e-3}
		}
		left := flows*loop.ohm - (remote[g].volts - local[g].volts)
		lost, tolerance = left/flows, loop.u+least/flows
		fellBack = math.Abs(lost) > tolerance
	}
	plus, told, err := k.plusLost(ctx, t, s, g, flows, burden)
	if err != nil {
		return err
	}
	which := ""
	switch {
	case told && plus && s.load != nil && lost-conductor-burden > tolerance:
		which = "both"
	case told && plus:
		which = "plus"
	case told && (lost > tolerance || fellBack):
		which = "minus"
	case told:
	case s.load != nil && lost > loop.ohm-tolerance && lost > tolerance:
		which = "both"
	case lost > tolerance || fellBack:
		which = "one of both"
	}
	if which == "" {
		return nil
	}
	evidence := fmt.Sprintf("with %s in its leads the node is off by %s although %s senses there; the leads and the meters in the line drop %s", amps(flows), volts(lost*flows), t.probe, volts(loop.ohm*flows))
	switch {
	case told && plus:
		evidence += "; more burden in the plus line shows at the node"
	case told:
		evidence += "; more burden in the plus line does not show at the node"
	}
	k.openSense(t.probe, which, evidence)
	return nil
}

// unloaded takes the load of a step off, looks, and puts it on again.
func (k *checker) unloaded(ctx context.Context, s *step, g *probe) (survey, error) {
	if err := k.off(ctx, s.load); err != nil {
		return nil, err
	}
	rest, err := k.still(ctx, s.look, g)
	if err != nil {
		return nil, err
	}
	s.load.on = true
	if err := s.load.load.Input(ctx, true); err != nil {
		return nil, err
	}
	return rest, k.clock.Sleep(ctx, 2*settleEvery)
}

// still looks until a voltmeter no longer moves: a source that made up for a drop has to come down.
func (k *checker) still(ctx context.Context, l look, g *probe) (now survey, err error) {
	begun := k.clock.Now()
	for last := math.NaN(); ; last = now[g].volts {
		if err := k.clock.Sleep(ctx, settleEvery); err != nil {
			return nil, err
		}
		if now, err = k.look(ctx, l); err != nil {
			return nil, err
		}
		if math.Abs(now[g].volts-last) < 5*noise(g.spec.Volts, l.volts, l.aperture) || k.clock.Since(begun) > settleWithin {
			return now, nil
		}
	}
}

// plusLost raises the burden of the meter in the plus line and looks whether the node loses by it. told is false where there is no such meter.
func (k *checker) plusLost(ctx context.Context, t *trial, s *step, g *probe, flows, burden float64) (plus, told bool, err error) {
	node := t.probe.wire.Node
	line := k.ammeters(node)
	if len(line) == 0 {
		return false, false, nil
	}
	var pick model.Range
	for _, r := range line[0].spec.Amps { // ascending: the first that holds it has the most burden
		if r.Full >= 1.3*flows && r.ResistanceOhm*flows < 0.25*t.level.volts {
			pick = r
			break
		}
	}
	more := s.look
	more.amps, more.node = pick.Full, node
	raised := k.burden(node, more) - burden
	if pick.Full == 0 || raised*flows < 4*k.least(t, g, s.look.aperture) {
		return false, false, nil
	}
	few, err := k.look(ctx, s.look)
	if err != nil {
		return false, false, err
	}
	much, err := k.look(ctx, more)
	if err != nil {
		return false, false, err
	}
	return few[g].volts-much[g].volts > 0.5*raised*flows, true, nil
}

// scatterReadings is how many short readings are taken.
const scatterReadings = 12

// scatter looks whether short readings of a node scatter more than the meter does: then the source oscillates.
func (k *checker) scatter(ctx context.Context, t *trial, g *probe) error {
	if g.load != nil {
		k.notTold("whether %s oscillates: no voltmeter reads %s", t.probe, t.probe.wire.Node)
		return nil
	}
	aperture := max(g.spec.Aperture.Least, 200*time.Microsecond)
	spread, err := k.spread(ctx, t, g, aperture)
	if err != nil {
		return err
	}
	most := max(8*noise(g.spec.Volts, t.level.top, aperture), 3e-3*t.level.volts)
	if spread < most {
		return nil
	}
	evidence := fmt.Sprintf("%d readings of %s scatter by %s (standard deviation), %s are allowed", scatterReadings, quantityOf(aperture), volts(spread), volts(most))
	remedy := "shorten and twist the leads; put an electrolytic capacitor across the node; look at the ripple with an oscilloscope"
	if t.probe.wire.Sense == bench.Remote && t.level.guarded {
		if err := t.probe.source.Sense(ctx, false); err != nil {
			return err
		}
		if err := k.clock.Sleep(ctx, 2*settleEvery); err != nil {
			return err
		}
		quiet, err := k.spread(ctx, t, g, aperture)
		if err != nil {
			return err
		}
		evidence += fmt.Sprintf("; with local sense by %s", volts(quiet))
		if quiet < most {
			remedy = "its sense loop oscillates with the leads: twist the sense pair, shorten the leads, put an electrolytic capacitor across the node, or sense locally"
		}
	}
	k.fault(Fault{Kind: Oscillates, Channel: t.probe.String(), Node: t.probe.wire.Node, Text: t.probe.String() + " oscillates", Evidence: evidence, Remedy: remedy})
	return nil
}

func quantityOf(d time.Duration) string { return d.String() }

func (k *checker) spread(ctx context.Context, t *trial, g *probe, aperture time.Duration) (float64, error) {
	var sum, squares float64
	for range scatterReadings {
		if err := g.volts.Begin(ctx, driver.Request{Function: driver.Volts, Aperture: aperture, Expect: t.level.top}); err != nil {
			return 0, err
		}
		r, err := g.volts.End(ctx)
		if err != nil {
			return 0, err
		}
		sum, squares = sum+r.Value.X, squares+r.Value.X*r.Value.X
	}
	n := float64(scatterReadings)
	return math.Sqrt(max(squares/n-sum*sum/n/n, 0) * n / (n - 1)), nil
}
