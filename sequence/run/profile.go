package run

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"time"

	"fourwire/driver"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/profile"
)

// profile takes a source through a voltage over time. All of it is held against the guard before it begins.
func (r *runner) profile(ctx context.Context, s *sequence.Profile) error {
	i, err := r.role(s.Role)
	if err != nil {
		return err
	}
	role := &r.roles[i]
	w, err := s.Wave(r)
	if err != nil {
		return r.stop(Input, "the profile cannot be worked out: %w", err)
	}
	if err := w.Check(); err != nil {
		return r.stop(Input, "%w", err)
	}
	for _, p := range w {
		if err := r.allowed(measured.Exact(quantity.Of(p.Volts, quantity.Voltage)), fmt.Sprintf("%s at %s of its profile", s.Role, quantity.Second(p.Seconds)), role.Guard.Volts); err != nil {
			return err
		}
	}
	switch {
	case !r.state[i].On:
		return r.stop(Input, "%s is off: it goes on before its profile begins", s.Role)
	case r.state[i].ForceAmps:
		return r.stop(Input, "%s forces a current: a profile is of voltage", s.Role)
	}
	f := r.plan.Follow(s, w)
	if len(f.Steps) == 0 {
		return r.stop(Fault, "nothing is known of how %s follows a profile", s.Role)
	}
	kept := r.keptProfile(s, w, f)
	r.note("profile", level(f.Exact()), kept.Text, "step", strconv.Itoa(r.ordinal), "preset", kept.Preset, "standard", kept.Standard, "edition", kept.Edition, "clause", kept.Clause, "basis", kept.Basis)
	if err := r.keepProfile(kept); err != nil { // what breaks off in the middle of it is kept, too
		return err
	}
	if err := r.profileVolts(ctx, i, f.Steps[0].Volts); err != nil {
		return err
	}
	if err := r.checkInstrument(ctx, role.Channel.Instrument); err != nil {
		return r.of(role, err)
	}
	for n := range s.Repeat {
		if n > 0 {
			if err := r.attend(ctx, seconds(s.Gap.SI)); err != nil {
				return err
			}
		}
		if f.By == profile.ByList {
			err = r.profileList(ctx, i, f, s.Repeat == 1)
		} else {
			err = r.profileSteps(ctx, i, f, kept)
		}
		if err != nil {
			return err
		}
	}
	r.moved()
	return r.endProfile(kept)
}

// profileVolts sets a level of a profile.
func (r *runner) profileVolts(ctx context.Context, i int, volts float64) error {
	if volts == r.state[i].Volts {
		return nil
	}
	role := &r.roles[i]
	r.touched[role.Channel.Instrument] = true
	if err := role.feed.SetVolts(ctx, quantity.Volt(volts)); err != nil {
		return r.of(role, err)
	}
	r.state[i].Volts = volts
	return nil
}

// profileList has the source run through a profile by itself. Inside a capture the last one goes on behind the step.
func (r *runner) profileList(ctx context.Context, i int, f profile.Following, single bool) error {
	role := &r.roles[i]
	list, err := listerOf(r.cfg.Instruments[role.Channel.Instrument], role.Channel.Number)
	if err != nil {
		return r.of(role, err)
	}
	p := driver.ListPlan{Of: driver.Volts, Safe: f.Steps[len(f.Steps)-1].Volts}
	least := r.plan.ProfileAbility(i).Least
	for k, step := range f.Steps {
		end := f.End
		if k+1 < len(f.Steps) {
			end = f.Steps[k+1].Seconds
		}
		p.Levels = append(p.Levels, step.Volts)
		p.Dwell = append(p.Dwell, math.Max(end-step.Seconds, least))
	}
	r.touched[role.Channel.Instrument] = true
	if err := list.Load(ctx, p); err != nil {
		return r.of(role, err)
	}
	whole := seconds(f.End)
	r.running = append(r.running, runningList{i, sequence.Volts, p.Safe, whole, list})
	if err := list.Start(ctx); err != nil {
		return r.of(role, err)
	}
	if r.under != nil && single {
		return nil
	}
	if err := r.attend(ctx, whole); err != nil {
		return err
	}
	return r.endLists(ctx)
}

// profileSteps sets one level after the other, each when its time has come.
func (r *runner) profileSteps(ctx context.Context, i int, f profile.Following, kept *record.Profile) error {
	begun := r.clock.Now()
	for _, step := range f.Steps {
		if err := r.attend(ctx, begun.Add(seconds(step.Seconds)).Sub(r.clock.Now())); err != nil {
			return err
		}
		late := r.clock.Since(begun).Seconds() - step.Seconds
		if err := r.profileVolts(ctx, i, step.Volts); err != nil {
			return err
		}
		kept.LatestSeconds = math.Max(kept.LatestSeconds, late)
	}
	if err := r.attend(ctx, begun.Add(seconds(f.End)).Sub(r.clock.Now())); err != nil {
		return err
	}
	return r.checkInstrument(ctx, r.roles[i].Channel.Instrument)
}

// attend lets time pass, and looks from time to time whether the outputs are as they were left.
func (r *runner) attend(ctx context.Context, d time.Duration) error {
	end := r.clock.Now().Add(d)
	if r.cfg.Busy != nil && d > 0 {
		r.cfg.Busy(d)
	}
	defer r.cfg.Spans.EnterWhole(ledger.FixedWait, "").Leave()
	for {
		left := end.Sub(r.clock.Now())
		if left <= 0 {
			return ctx.Err()
		}
		if err := r.sleep(ctx, min(left, lookEvery)); err != nil {
			return err
		}
		if left > lookEvery {
			if err := r.lookAfterLists(ctx); err != nil {
				return err
			}
		}
	}
}

// lookAfterLists is lookAfter, without a look at the settings of what runs a list: they change by themselves.
func (r *runner) lookAfterLists(ctx context.Context) error {
	if len(r.running) == 0 {
		return r.lookAfter(ctx)
	}
	if r.clock.Since(r.looked) < lookEvery {
		return nil
	}
	r.looked = r.clock.Now()
	for i := range r.roles {
		role := &r.roles[i]
		if role.feed == nil && role.sink == nil || !r.state[i].On {
			continue
		}
		st, err := role.status(ctx)
		if err != nil {
			return r.of(role, err)
		}
		if len(st.Tripped) > 0 {
			r.state[i].On = false
			return r.tripped(role, st.Tripped)
		}
	}
	return nil
}

// keptProfile is what the record keeps of a profile.
func (r *runner) keptProfile(s *sequence.Profile, w profile.Wave, f profile.Following) *record.Profile {
	i := r.plan.RoleIndex(s.Role)
	k := &record.Profile{Name: r.numbered(s.Role + "-profile"), Role: s.Role, Channel: r.roles[i].Channel.String(), Node: r.roles[i].Need.Node, Where: r.where(),
		Repeat: s.Repeat, GapSeconds: s.Gap.SI, By: string(f.By), Steps: len(f.Steps), WithinRelative: s.Within.Relative, WithinVolts: s.Within.Volts, WithinSeconds: s.Within.Seconds,
		OutsideSeconds: f.OutsideSeconds, WorstVolts: f.WorstVolts, WorstAtSeconds: f.WorstAt, Text: r.plan.Nearest(s, w, f)}
	if p := s.Preset; p != nil {
		k.Preset, k.Title, k.Standard, k.Edition, k.Clause, k.Basis, k.Source, k.About, k.Negative = p.Name, p.Title, p.Standard, p.Edition, p.Clause, string(p.Basis), p.Source, p.About, p.Negative
		k.Tag = p.Tag()
		k.Text += "; " + p.Tag()
	}
	for _, p := range w {
		k.Wanted = append(k.Wanted, [2]float64{p.Seconds, p.Volts})
	}
	for _, p := range f.Expected(r.plan.ProfileAbility(i)) {
		k.Expected = append(k.Expected, [2]float64{p.Seconds, p.Volts})
	}
	return k
}

// endProfile says how late the computer was, where it set the levels.
func (r *runner) endProfile(k *record.Profile) error {
	if k.LatestSeconds > 0 && k.By == string(profile.ByHost) {
		if planned := r.plan.ProfileAbility(r.plan.RoleIndex(k.Role)).HostSeconds; k.LatestSeconds > planned {
			k.Late = fmt.Sprintf("the computer was late by up to %s; %s had been reckoned with", quantity.Of(k.LatestSeconds, quantity.Time).Text(2), quantity.Of(planned, quantity.Time).Text(2))
			r.note("profile", "warn", k.Late)
		}
	}
	return r.keepProfile(k)
}

func (r *runner) keepProfile(k *record.Profile) error {
	if r.keeper == nil {
		return nil
	}
	data, err := json.MarshalIndent(k, "", "  ")
	if err != nil {
		return r.stop(Fault, "the profile cannot be kept: %w", err)
	}
	return r.keeper.Put(record.ProfileFile(k.Name), append(data, '\n'))
}

// followProfile goes by a profile that was done already.
func (r *runner) followProfile(s *sequence.Profile) error {
	i, err := r.role(s.Role)
	if err != nil {
		return err
	}
	w, err := s.Wave(r)
	if err != nil {
		return r.stop(Input, "the profile cannot be worked out: %w", err)
	}
	r.numbered(s.Role + "-profile")
	if f := r.plan.Follow(s, w); len(f.Steps) > 0 {
		r.state[i].Volts = f.Steps[len(f.Steps)-1].Volts
	}
	return nil
}
