package run

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"fourwire/driver"
	"fourwire/driver/model"
	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/plan"
)

// claim takes the shared ones among some instruments; without other sites it costs nothing. What is said to them has to be said with the context that
// it gives.
func (r *runner) claim(ctx context.Context, instruments ...string) (context.Context, func(), error) {
	return r.cfg.Share.Hold(ctx, instruments...)
}

// claimAll takes every shared instrument that this run uses.
func (r *runner) claimAll(ctx context.Context) (context.Context, func(), error) {
	return r.claim(ctx, r.order...)
}

// claimRole takes what a setting of a role needs: its instrument, ammeters that are put on a range ahead, and, for a source that goes off, the loads that go off
// before it.
func (r *runner) claimRole(ctx context.Context, i int, on bool) (context.Context, func(), error) {
	if r.cfg.Share == nil {
		return ctx, func() {}, nil
	}
	names := []string{r.roles[i].Channel.Instrument}
	for k := range r.gauges {
		if g := &r.gauges[k]; g.function == driver.Amps && !g.Own {
			names = append(names, g.Channel.Instrument)
		}
	}
	for k := range r.roles {
		if r.roles[i].feed != nil && r.roles[k].sink != nil && (!on || r.state[i].ForceAmps) {
			names = append(names, r.roles[k].Channel.Instrument)
		}
	}
	return r.claim(ctx, names...)
}

// claimPoint takes what a point needs that is read once: all of its readings, and the look at what every role does. So a site waits once for each of its points.
func (r *runner) claimPoint(ctx context.Context, g *group, s *sequence.Measure) (context.Context, func(), error) {
	if r.cfg.Share == nil || g.passes > 1 || s.Burst.Auto || s.Burst.For.SI > 0 {
		return ctx, func() {}, nil
	}
	var names []string
	for _, round := range g.rounds {
		names = append(names, r.roundOf(g, round)...)
	}
	for i := range r.roles {
		if r.state[i].On {
			names = append(names, r.roles[i].Channel.Instrument)
		}
	}
	return r.claim(ctx, names...)
}

// isShared tells whether runs of other sites use an instrument, too.
func (r *runner) isShared(instrument string) bool {
	return r.cfg.Share != nil && r.cfg.Share.Shares(instrument)
}

// settled asks the shared ones among some instruments what went wrong, before they are given back: what another site finds there is its own.
func (r *runner) settled(ctx context.Context, instruments []string) error {
	for _, name := range instruments {
		if r.isShared(name) {
			if err := r.checkInstrument(ctx, name); err != nil {
				return err
			}
		}
	}
	return nil
}

// prepareShared prepares what several sites use, once for all of them.
func (r *runner) prepareShared(ctx context.Context) error {
	for _, name := range r.order {
		if !r.isShared(name) {
			continue
		}
		held, release, err := r.claim(ctx, name)
		if err == nil {
			err = r.cfg.Share.Once(held, name, r.cfg.Instruments[name].Prepare)
			release()
		}
		if err != nil {
			return fmt.Errorf("%s cannot be prepared: %w", name, err)
		}
	}
	return nil
}

// contacts are the relays that join meters to nodes, of a run that shares none of them.
type contacts map[string]string

// contact is the relay that joins a meter to a node; empty: none does.
func (r *runner) contact(meter plan.Channel) (relay string, known bool) {
	if r.isShared(meter.Instrument) {
		return r.cfg.Share.Contact(meter.String())
	}
	relay, known = r.contacts[meter.String()]
	return relay, known
}

func (r *runner) setContact(meter plan.Channel, relay string, known bool) {
	switch {
	case r.isShared(meter.Instrument):
		r.cfg.Share.SetContact(meter.String(), relay, known)
	case known:
		r.contacts[meter.String()] = relay
	default:
		delete(r.contacts, meter.String())
	}
}

// connectRelays finds the relays of a gauge.
func (r *runner) connectRelays(g *plan.Gauge, at func(string) (Instrument, error)) error {
	if !g.Routed() {
		return nil
	}
	for _, ch := range append([]plan.Channel{g.Through}, g.Apart...) {
		if r.relays[ch] != nil {
			continue
		}
		in, err := at(ch.Instrument)
		if err != nil {
			return err
		}
		if r.relays[ch], err = switcherOf(in, ch.Number); err != nil {
			return fmt.Errorf("%s (%s): %w", g.Name(), ch, err)
		}
	}
	return nil
}

// route joins the meter of a gauge to its node: the relays to other nodes are opened, each is seen to be, and then its own is closed. Meter and switch
// unit are held.
func (r *runner) route(ctx context.Context, g *gaugeState) error {
	if !g.Routed() {
		return nil
	}
	at, known := r.contact(g.Channel)
	if known && at == g.Through.String() {
		closed, err := r.relays[g.Through].Closed(ctx)
		if err == nil && closed {
			return nil
		}
		r.setContact(g.Channel, "", false)
		if err == nil {
			err = errors.New("it is open although it was closed")
		}
		return fmt.Errorf("%s: relay %s: %w", g.Name(), g.Through, err)
	}
	r.setContact(g.Channel, "", false)
	for _, ch := range g.Apart {
		if known && at != ch.String() {
			continue // it was seen to be open
		}
		r.touched[ch.Instrument] = true
		if err := r.relays[ch].Turn(ctx, false); err != nil {
			return fmt.Errorf("%s: relay %s has to be open, else %s would join two nodes: %w", g.Name(), ch, g.Channel, err)
		}
	}
	r.touched[g.Through.Instrument] = true
	if err := r.relays[g.Through].Turn(ctx, true); err != nil {
		return fmt.Errorf("%s: relay %s: %w", g.Name(), g.Through, err)
	}
	if err := r.checkInstrument(ctx, g.Through.Instrument); err != nil {
		return fmt.Errorf("%s: relay %s: %w", g.Name(), g.Through, err)
	}
	r.setContact(g.Channel, g.Through.String(), true)
	return nil
}

// openContacts opens the relays that this run has left closed, when the nodes have been looked at.
func (r *runner) openContacts(ctx context.Context) {
	for k := range r.gauges {
		g := &r.gauges[k]
		if !g.Routed() {
			continue
		}
		if err := r.openContact(ctx, g); err != nil {
			r.note("safe", "warn", fmt.Sprintf("that %s is off %s cannot be confirmed: %v", g.Channel, g.Node, err))
		}
	}
}

func (r *runner) openContact(ctx context.Context, g *gaugeState) (err error) {
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("a fault of the program itself: %v", fault)
		}
	}()
	ctx, cancel := r.clock.WithTimeout(ctx, r.cfg.OffWithin)
	defer cancel()
	ctx, release, err := r.claim(ctx, g.Instruments()...)
	if err != nil {
		return err
	}
	defer release()
	if at, known := r.contact(g.Channel); !known || at != g.Through.String() {
		return nil
	}
	r.setContact(g.Channel, "", false)
	if err := r.relays[g.Through].Turn(ctx, false); err != nil {
		return err
	}
	r.setContact(g.Channel, "", true)
	return nil
}

// looker reads the voltage of a node that is looked at by itself: it takes what the reading needs, joins the meter to the node, and gives all back.
type looker struct {
	r       *runner
	g       *gaugeState
	held    context.Context
	release func()
}

// Begin starts a reading.
func (l *looker) Begin(ctx context.Context, request driver.Request) (err error) {
	if l.held, l.release, err = l.r.claim(ctx, l.g.Instruments()...); err != nil {
		return err
	}
	if err = l.r.route(l.held, l.g); err == nil {
		err = l.g.meter.Begin(l.held, request)
	}
	if err != nil {
		l.release()
	}
	return err
}

// End waits for it. ctx is that of Begin.
func (l *looker) End(context.Context) (driver.Reading, error) {
	defer l.release()
	return l.g.meter.End(l.held)
}

// steadyBy is how many times smaller than its band the noise of a reader has to be that stands for a shared meter while something settles. Own choice.
const steadyBy = 4

// steady has a settle step read the site's own readers in place of shared ones, where their noise is small enough for its band.
func (r *runner) steady(s *sequence.Settle, g *group, aperture time.Duration) {
	if r.cfg.Share == nil || r.chosen[s] {
		return
	}
	r.chosen[s] = true
	for i, k := range g.gauges {
		own := r.plan.SteadyIndex(r.gauges[k].Function, r.gauges[k].Node)
		if own < 0 || len(g.gauges) > 1 {
			continue
		}
		x, band := math.Abs(r.plan.Likely(r.state, r.gauges[k].Function, r.gauges[k].Node)), s.Within.SI
		if s.Within.Dim == quantity.Ratio {
			band *= x
		}
		c := model.Pick(r.gauges[own].Specs, x).Contributions(x, aperture.Seconds(), r.plan.Bench.AmbientKelvin)
		if steadyBy*math.Hypot(c.Noise, c.Quantisation) <= band { // false for NaN
			g.gauges[i] = own
			r.note("settle", "info", fmt.Sprintf("%s settles by the readings of %s: %s is shared", s.Value.Text, r.gauges[own].Channel, r.gauges[k].Channel))
		}
	}
}

// roundOf lists the instruments of a round of readings.
func (r *runner) roundOf(g *group, round []int) []string {
	var names []string
	for _, i := range round {
		for _, name := range r.gauges[g.gauges[i]].Instruments() {
			if !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	return names
}

// meet waits until all sites are ready; whoever comes last does once what is to be done before the first output goes on.
func (r *runner) meet(ctx context.Context) error {
	if r.cfg.Share == nil {
		if r.cfg.Ready == nil {
			return nil
		}
		return r.cfg.Ready(ctx)
	}
	return r.cfg.Share.Meet(ctx, r.cfg.Ready)
}
