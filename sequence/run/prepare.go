package run

import (
	"context"
	"fmt"
	"strings"

	"fourwire/quantity"
)

// prepare brings everything into a known state with outputs off, then sets what protects the device. No output is on before
// all of it has succeeded.
func (r *runner) prepare(ctx context.Context) error {
	if err := r.roomAhead(); err != nil {
		return err
	}
	r.tell(Event{Kind: "stage", Text: "preparing the instruments"})
	var tasks []task
	for _, name := range r.order {
		if r.isShared(name) {
			continue
		}
		tasks = append(tasks, task{name, func(ctx context.Context) error {
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := r.cfg.Instruments[name].Prepare(ctx); err != nil {
				return fmt.Errorf("%s cannot be prepared: %w", name, err)
			}
			return nil
		}})
	}
	if err := r.together(ctx, tasks...); err != nil {
		return err
	}
	if err := r.prepareShared(ctx); err != nil {
		return err
	}
	ctx, release, err := r.claimAll(ctx)
	if err != nil {
		return err
	}
	defer release()
	tasks = tasks[:0]
	for i := range r.roles {
		role := &r.roles[i]
		tasks = append(tasks, task{role.Channel.Instrument, func(ctx context.Context) error {
			if err := r.protect(ctx, i); err != nil {
				return r.of(role, err)
			}
			return nil
		}})
	}
	if err := r.together(ctx, tasks...); err != nil {
		return err
	}
	if err := r.checkErrors(ctx); err != nil {
		return err
	}
	r.tell(Event{Kind: "stage", Text: "running"})
	return nil
}

// protect sets where a role senses, its protection levels and its current limit.
func (r *runner) protect(ctx context.Context, i int) error {
	role := &r.roles[i]
	if role.relay != nil { // a reset has opened it, where there is one
		r.touched[role.Channel.Instrument] = true
		return role.relay.Turn(ctx, false)
	}
	if role.feed == nil && role.sink == nil {
		return nil
	}
	r.touched[role.Channel.Instrument] = true
	set, sense := r.setProtection(role)
	if role.Remote {
		if err := sense(ctx, true); err != nil {
			return fmt.Errorf("remote sense: %w", err)
		}
	}
	if role.OverVolts > 0 || role.OverAmps > 0 {
		if err := set(ctx, role.OverVolts, role.OverAmps); err != nil {
			return fmt.Errorf("protection: %w", err)
		}
		var levels []string
		if role.OverVolts > 0 {
			levels = append(levels, "over-voltage at "+role.OverVolts.String())
		}
		if role.OverAmps > 0 {
			levels = append(levels, "over-current at "+role.OverAmps.String())
		}
		r.note("protection", "info", role.Need.Name+": "+strings.Join(levels, ", "))
	}
	if role.feed != nil && role.Limit > 0 {
		if err := role.feed.SetAmps(ctx, role.Limit); err != nil {
			return fmt.Errorf("current limit: %w", err)
		}
		r.state[i].Amps = float64(role.Limit)
	}
	return nil
}

func (r *runner) setProtection(role *roleState) (set func(context.Context, quantity.Volt, quantity.Amp) error, sense func(context.Context, bool) error) {
	if role.feed != nil {
		return role.feed.SetProtection, role.feed.Sense
	}
	return role.sink.SetProtection, role.sink.Sense
}
