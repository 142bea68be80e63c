package run

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"fourwire/driver"
	"fourwire/driver/ieee488"
	"fourwire/internal/diag"
	"fourwire/internal/ledger"
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/transport"
)

// makeSafe is the one way out of a run. Loads go off before sources; what fails is tried once more by other means, a load at once
// where that is quick, everything else when all others are off; then the nodes are looked at. ctx is not the one that may have ended the run, and every instrument has its own time.
func (r *runner) makeSafe(ctx context.Context, cause error) error {
	r.place, r.frames, r.leaves = diag.Place{}, nil, r.clock.Now()
	r.tell(Event{Kind: "stage", Text: "switching off"})
	if cause != nil {
		r.note("end", "error", "the run ends early: "+cause.Error())
	}
	if err := r.relieved(); err != nil {
		return r.handedOver(cause, err)
	}
	var all error
	failed := map[int]error{}
	for _, i := range r.offOrder() {
		err := r.off(ctx, i)
		if err != nil && r.roles[i].sink != nil && (errors.Is(err, transport.ErrLost) || errors.Is(err, ieee488.ErrUnreadable)) {
			// it is quick to be tried again, and a source should not go off before its load does
			if err = r.offAgain(ctx, i, err); err != nil {
				all = errors.Join(all, err)
			}
			continue
		}
		if err != nil {
			failed[i] = err
		}
	}
	if err := r.relieved(); err != nil {
		return r.handedOver(cause, err)
	}
	for _, i := range r.offOrder() {
		if err, ok := failed[i]; ok {
			all = errors.Join(all, r.offAgain(ctx, i, err))
		}
	}
	r.abandonCapture(ctx)
	r.abandonShort(ctx)
	if err := r.railsOff(cause); err != nil {
		all = errors.Join(all, err)
	}
	if err := r.openSwitches(ctx, all); err != nil && cause == nil {
		all = errors.Join(all, err)
	}
	r.abandon(ctx, cause)
	if cause != nil {
		r.abortMeters(ctx)
	}
	r.discharge(ctx)
	r.openContacts(ctx)
	if all == nil {
		r.note("safe", "info", "every output is off")
	} else {
		r.note("safe", "error", all.Error())
	}
	if r.endTrip != nil && cause == nil {
		all = errors.Join(all, r.endTrip)
	}
	if r.sinkErr != nil && cause == nil {
		all = errors.Join(all, &Stop{Kind: Bench, Err: fmt.Errorf("the record cannot be written: %w", r.sinkErr)})
	}
	if why := r.cause(errors.Join(cause, all)); why != (Cause{}) {
		r.why = why
		r.note("cause", "error", why.String(), "what", why.What, "evidence", why.Evidence, "remedy", why.Remedy)
	}
	return all
}

// relieved gives an error once somebody else has taken the bench over.
func (r *runner) relieved() error {
	if r.cfg.Relieved == nil {
		return nil
	}
	return r.cfg.Relieved()
}

// handedOver leaves the bench to whoever has taken it over.
func (r *runner) handedOver(cause, why error) error {
	r.note("safe", "warn", "nothing more is sent to the instruments: "+why.Error())
	r.keepTorn(why)
	if errors.Is(cause, why) {
		return nil
	}
	return &Stop{Kind: Safety, Err: why}
}

// offOrder is the roles that can be on: loads, then rails in reverse, then the other sources.
func (r *runner) offOrder() []int {
	var order []int
	for i := range r.roles {
		if r.roles[i].sink != nil {
			order = append(order, i)
		}
	}
	for k := len(r.up) - 1; k >= 0; k-- {
		for n := len(r.up[k].roles) - 1; n >= 0; n-- {
			order = append(order, r.up[k].roles[n])
		}
	}
	for i := range r.roles {
		if r.roles[i].feed != nil && !slices.Contains(order, i) {
			order = append(order, i)
		}
	}
	return order
}

// off switches one role off and makes sure that it is.
func (r *runner) off(ctx context.Context, i int) (err error) {
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("a fault of the program itself: %v", fault)
		}
	}()
	role := &r.roles[i]
	ctx, cancel := r.clock.WithTimeout(ctx, r.cfg.OffWithin)
	defer cancel()
	if role.offAt = r.clock.Now(); !r.state[i].On {
		role.offAt = time.Time{}
	}
	ctx, release, err := r.cfg.Share.HoldNow(ctx, role.Channel.Instrument)
	if err != nil {
		return err
	}
	defer release()
	if err := role.output(ctx, false); err != nil {
		return err
	}
	st, err := role.status(ctx)
	if err != nil {
		return fmt.Errorf("off was sent but cannot be confirmed: %w", err)
	}
	if st.On {
		return errors.New("it says that it is on")
	}
	role.offDone = r.clock.Now()
	if role.wasOn && len(st.Tripped) > 0 && r.endTrip == nil {
		r.endTrip = r.tripped(role, st.Tripped)
	}
	if r.state[i].On {
		r.state[i].On = false
		r.note("output", "info", role.Need.Name+" off")
	}
	return nil
}

// offAgain stops the instrument as a whole and tries once more: switching off twice does no harm.
func (r *runner) offAgain(ctx context.Context, i int, first error) error {
	role := &r.roles[i]
	if r.isShared(role.Channel.Instrument) && !errors.Is(first, transport.ErrLost) {
		// as a whole it is other sites' as well, and they go on; one whose connection is lost ends all of them
	} else if err := r.abort(ctx, role.Channel.Instrument); err != nil {
		first = errors.Join(first, err)
	}
	if err := r.off(ctx, i); err != nil {
		if !role.wasOn {
			r.note("safe", "warn", fmt.Sprintf("%s (%s) was not switched on by this run, but that it is off cannot be confirmed: %v", role.Need.Name, role.Channel, err))
			return nil
		}
		return &NotSafe{Role: role.Need.Name, Channel: role.Channel.String(), Err: errors.Join(first, err)}
	}
	r.note("safe", "warn", fmt.Sprintf("%s went off at the second attempt; the first: %v", role.Need.Name, first))
	return nil
}

func (r *runner) abort(ctx context.Context, name string) (err error) {
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("a fault of the program itself: %v", fault)
		}
	}()
	ctx, cancel := r.clock.WithTimeout(ctx, r.cfg.OffWithin)
	defer cancel()
	ctx, release, err := r.cfg.Share.HoldNow(ctx, name)
	if err != nil {
		return err
	}
	defer release()
	return r.cfg.Instruments[name].Abort(ctx)
}

// abortMeters stops readings that were left half way, so that the nodes can be looked at.
func (r *runner) abortMeters(ctx context.Context) {
	serves := map[string]bool{}
	for i := range r.roles {
		if r.roles[i].feed != nil || r.roles[i].sink != nil {
			serves[r.roles[i].Channel.Instrument] = true
		}
	}
	for _, name := range r.order {
		if serves[name] || r.isShared(name) {
			continue
		}
		if err := r.abort(ctx, name); err != nil {
			r.note("safe", "warn", fmt.Sprintf("%s does not stop measuring: %v", name, err))
		}
	}
}

// discharge measures what stands at the nodes that were under power, until it is gone or time is up.
func (r *runner) discharge(ctx context.Context) {
	seen := map[string]bool{}
	for i := range r.roles {
		node := r.roles[i].Need.Node
		if !r.roles[i].wasOn || seen[node] {
			continue
		}
		seen[node] = true
		k := r.plan.GaugeIndex(sequence.Volts, node)
		if k < 0 {
			r.note("safe", "warn", fmt.Sprintf("nothing reads the voltage of %s: whether it is discharged is not known", node))
			r.after = append(r.after, NodeAfter{Node: node, Remains: driver.Remains{Volts: nan, Err: errors.New("nothing reads its voltage")}})
			continue
		}
		after := r.lookAt(ctx, node, &r.gauges[k])
		r.fallen(i, after)
		r.after = append(r.after, after)
		switch {
		case after.Err != nil:
			r.note("safe", "warn", fmt.Sprintf("%s: %s", node, after.Remains))
		case after.Discharged:
			r.note("safe", "info", fmt.Sprintf("%s is %s", node, after.Remains))
		case math.Abs(after.Volts) > float64(driver.TouchVolts):
			r.note("safe", "error", fmt.Sprintf("danger: %s is %s; do not touch it before it is discharged", node, after.Remains))
		default:
			r.note("safe", "warn", fmt.Sprintf("%s is %s", node, after.Remains))
		}
	}
}

// lookAt measures one node until it is discharged or time is up.
func (r *runner) lookAt(ctx context.Context, node string, g *gaugeState) (after NodeAfter) {
	after = NodeAfter{Node: node, Remains: driver.Remains{Volts: nan}}
	defer func() {
		if fault := recover(); fault != nil {
			after.Err = fmt.Errorf("a fault of the program itself: %v", fault)
		}
	}()
	ctx, cancel := r.clock.WithTimeout(ctx, r.cfg.DischargeWithin+r.cfg.OffWithin)
	defer cancel()
	defer r.cfg.Spans.EnterWhole(ledger.OutputDown, "").Leave()
	// the range of the guard: nothing else is known about a node that was just left alone
	look := driver.Discharge{Within: r.cfg.DischargeWithin, Aperture: plan.DefaultAperture, Expect: r.afterwards(g), Clock: r.clock}
	after.Remains = look.Watch(ctx, &looker{r: r, g: g})
	return after
}

// afterwards is the range for looking at a node: what its guard allows.
func (r *runner) afterwards(g *gaugeState) float64 {
	if g.guard.Set && !math.IsInf(g.guard.High, 0) {
		return g.guard.High
	}
	return nan
}
