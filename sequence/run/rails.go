package run

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"fourwire/analysis/verdict"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/plan"
	"fourwire/sequence/profile"
)

// group of rails that is up, or on its way.
type railGroup struct {
	step   *sequence.Rails
	roles  []int // in the order in which they went on
	watch  plan.RailsWatch
	looked time.Time // when the last look began at which all was well
	next   time.Time // when the next one is due
	begun  time.Time // the first one's going on
	kept   record.Rails
	looks  bool // one is under way
}

// rails brings a group up, does its steps, and takes it down in reverse.
func (r *runner) rails(ctx context.Context, s *sequence.Rails) error {
	if len(s.Up) == 0 {
		return r.railsDown(ctx, s, s.Name)
	}
	good, err := r.railsUp(ctx, s)
	if err != nil {
		return err
	}
	if len(s.Gives) > 0 {
		w := r.open()
		r.begin(w)
		for _, one := range s.Gives {
			v := good[one.What]
			r.keep(one.Name, v)
			w.cells[one.Name] = r.cell(v)
		}
	}
	if !s.HasSteps() {
		return nil
	}
	if err := r.steps(ctx, s.Steps); err != nil {
		return err
	}
	r.place = s.At()
	return r.railsDown(ctx, s, s.Name)
}

// railsUp brings a group up in order; by the name of its need it gives when each rail was good.
func (r *runner) railsUp(ctx context.Context, s *sequence.Rails) (map[string]measured.Value, error) {
	ordinal := r.ordinal
	g := &railGroup{step: s, watch: r.plan.Watch(s)}
	g.kept = record.Rails{Name: r.numbered(s.Name), Where: r.where(), Order: plan.RailsText(s), AllOffSeconds: s.AllOff.SI, WatchSeconds: g.watch.Every.Seconds()}
	r.up = append(r.up, g)
	good := map[string]measured.Value{}
	for _, rail := range s.Up {
		at, err := r.railUp(ctx, g, rail)
		if err != nil {
			return nil, err
		}
		good[rail.Role] = at
	}
	r.note("rails", "info", fmt.Sprintf("the rails %s are up: %s", s.Name, g.kept.Text()), "step", strconv.Itoa(ordinal))
	return good, r.keepRails(g)
}

// railUp brings one rail up and waits until it is good; at is when that was, counted from the first one's going on.
func (r *runner) railUp(ctx context.Context, g *railGroup, rail sequence.Rail) (at measured.Value, err error) {
	at = measured.Value{X: nan, Dim: quantity.Time}
	i, err := r.role(rail.Role)
	if err != nil {
		return at, err
	}
	r.place = rail.Place
	if r.state[i].On {
		return at, r.stop(Input, "%s is on already, and is to come up with the rails %s", rail.Role, g.step.Name)
	}
	g.roles = append(g.roles, i) // before it goes on: whatever ends the run takes it down in its turn
	role := &r.roles[i]
	volts, err := r.setpoint(ctx, rail.Volts, rail.Role, role.Guard.Volts)
	if err != nil {
		return at, err
	}
	amps, err := r.setpoint(ctx, rail.Amps, rail.Role+" as its current limit", role.Guard.Amps)
	if err != nil {
		return at, err
	}
	first := volts.SI
	ability := r.plan.ProfileAbility(i)
	if rail.Ramp.SI > 0 {
		first = math.Min(math.Max(0, ability.LowVolts), volts.SI)
	}
	on := &sequence.Source{Pos: sequence.Pos{Place: rail.Place}, Role: rail.Role, Force: sequence.Volts, Volts: constant(first, quantity.Voltage), Amps: constant(amps.SI, quantity.Current), Output: sequence.On}
	begun := r.clock.Now()
	if err := r.source(ctx, on); err != nil {
		return at, err
	}
	if len(g.roles) == 1 {
		g.begun, g.looked = r.clock.Now(), begun
	}
	k := record.Rail{Role: rail.Role, Node: role.Need.Node, Channel: role.Channel.String(), Volts: volts.SI, Amps: amps.SI, OnSeconds: r.clock.Since(g.begun).Seconds(), GoodSeconds: nan, GoodU: nan, OffSeconds: nan}
	if first != volts.SI {
		if err := r.ramp(ctx, i, first, volts.SI, rail.Ramp.SI, ability); err != nil {
			return at, err
		}
	}
	if rail.Until != nil {
		if at, err = r.railGood(ctx, g, rail); err != nil {
			return at, err
		}
		k.GoodSeconds, k.GoodU = at.X, r.expanded(at)
	}
	g.kept.Rails = append(g.kept.Rails, k)
	if err := r.attend(ctx, seconds(rail.Then.SI)); err != nil {
		return at, err
	}
	return at, r.lookAtRails(ctx)
}

// ramp takes a source that is on from one voltage to another in some time.
func (r *runner) ramp(ctx context.Context, i int, from, to, span float64, a profile.Ability) error {
	a.Stays = true // as it stays set without a ramp
	f := profile.Nearest(profile.Wave{{Seconds: 0, Volts: from}, {Seconds: span, Volts: to}}, a, profile.Tolerance{Relative: 0.02})
	if f.By == profile.ByList {
		return r.profileList(ctx, i, f, false)
	}
	return r.profileSteps(ctx, i, f, &record.Profile{})
}

// railGood reads until the condition of a rail holds.
func (r *runner) railGood(ctx context.Context, g *railGroup, rail sequence.Rail) (measured.Value, error) {
	defer r.cfg.Spans.EnterWhole(ledger.Settle, "").Leave()
	refs := rail.Until.Nodes()
	if len(refs) > 0 {
		group, err := r.groupFor(rail.Until, refs)
		if err != nil {
			return measured.Value{}, err
		}
		group.aperture = leastSettleRead
	}
	begun := r.clock.Now()
	before := begun
	for {
		at := r.clock.Now()
		if err := r.readNodes(ctx, rail.Until, refs); err != nil {
			return measured.Value{}, err
		}
		overflows := false
		for _, n := range refs {
			overflows = overflows || math.IsNaN(r.nodes[nodeKey{n.Function, n.Node}].X)
		}
		now := r.clock.Now()
		if !overflows {
			result, err := rail.Until.Eval(r)
			if err != nil {
				return measured.Value{}, r.stop(Input, "the condition cannot be worked out: %w", err)
			}
			if result.Truth {
				// somewhere between the last reading at which it was not, and the end of this one
				from, to := before.Sub(g.begun).Seconds(), now.Sub(g.begun).Seconds()
				return r.betweenTimes(from, to, rail.Role+" good"), nil
			}
		}
		if now.Sub(begun) >= seconds(rail.Within.SI) {
			return measured.Value{}, r.stop(Safety, "%s (%s) is not good after %s: %s does not hold", rail.Role, r.roles[r.plan.RoleIndex(rail.Role)].Channel, rail.Within, rail.Until.Text)
		}
		before = at
		if now.Equal(at) {
			if err := r.sleep(ctx, leastSettleGap); err != nil {
				return measured.Value{}, err
			}
		}
		if err := r.lookAtRails(ctx); err != nil {
			return measured.Value{}, err
		}
	}
}

// betweenTimes is a time of which only two ends are known.
func (r *runner) betweenTimes(from, to float64, what string) measured.Value {
	q := quantity.Of((from+to)/2, quantity.Time)
	if r.cfg.Ledger == nil {
		return measured.Exact(q)
	}
	id := r.cfg.Ledger.Own(measured.Input{Name: what + ", from one reading to the next", Kind: measured.Skew, Shape: measured.Rectangular})
	return measured.New(q, measured.Term{Input: id, Part: (to - from) / 2 / math.Sqrt(3)})
}

// railsDown takes a group down in reverse.
func (r *runner) railsDown(ctx context.Context, s *sequence.Rails, name string) error {
	at := slices.IndexFunc(r.up, func(g *railGroup) bool { return g.step.Name == name })
	if at < 0 {
		return r.stop(Input, "the rails %s are not up", name)
	}
	g := r.up[at]
	down := s.Down.SI
	for k := len(g.roles) - 1; k >= 0; k-- {
		if err := r.switchOff(ctx, g.roles[k]); err != nil {
			return err
		}
		g.wentOff(r, g.roles[k], r.clock.Now())
		if k > 0 {
			if err := r.attend(ctx, seconds(down)); err != nil {
				return err
			}
		}
	}
	r.up = slices.Delete(r.up, at, at+1)
	r.note("rails", "info", fmt.Sprintf("the rails %s are down, in reverse", name))
	return r.keepRails(g)
}

func (g *railGroup) wentOff(r *runner, i int, at time.Time) {
	for k := range g.kept.Rails {
		if g.kept.Rails[k].Role == r.roles[i].Need.Name && math.IsNaN(g.kept.Rails[k].OffSeconds) {
			g.kept.Rails[k].OffSeconds = at.Sub(g.begun).Seconds()
		}
	}
}

// lookAtRails looks, when it is due, whether every rail that is up is as it was left.
func (r *runner) lookAtRails(ctx context.Context) error {
	for _, g := range r.up {
		if g.looks || len(g.roles) == 0 || r.clock.Now().Before(g.next) {
			continue
		}
		if err := r.lookAtGroup(ctx, g); err != nil {
			return err
		}
	}
	return nil
}

func (r *runner) lookAtGroup(ctx context.Context, g *railGroup) error {
	g.looks = true
	defer func() { g.looks = false }()
	begun := r.clock.Now()
	for _, i := range g.roles {
		role := &r.roles[i]
		if !r.state[i].On {
			continue
		}
		st, err := role.status(ctx)
		switch {
		case err != nil:
			return r.of(role, err)
		case len(st.Tripped) > 0:
			r.state[i].On = false
			return r.tripped(role, st.Tripped)
		case !st.On:
			r.state[i].On = false
			return r.stop(Safety, "%s (%s) %w, and nothing tripped: all rails of %s go off", role.Need.Name, role.Channel, errWentOff, g.step.Name)
		}
	}
	g.looked, g.next = begun, r.clock.Now().Add(g.watch.Every)
	return nil
}

// untilLook is how long may be slept before a look at rails is due; ok is false where none are up.
func (r *runner) untilLook() (time.Duration, bool) {
	least, ok := time.Duration(0), false
	for _, g := range r.up {
		if g.looks || len(g.roles) == 0 {
			continue
		}
		if d := max(0, g.next.Sub(r.clock.Now())); !ok || d < least {
			least, ok = d, true
		}
	}
	return least, ok
}

// railsOff says, behind the way out, how long it took until all rails were off, and in which order they went.
func (r *runner) railsOff(cause error) error {
	var all error
	for _, g := range r.up {
		var last, sent time.Time
		order := ""
		for k := len(g.roles) - 1; k >= 0; k-- {
			role := &r.roles[g.roles[k]]
			if role.offDone.IsZero() {
				continue
			}
			g.wentOff(r, g.roles[k], role.offDone)
			if role.offAt.After(sent) {
				sent = role.offAt
			}
			if last = role.offDone; order != "" {
				order += ", "
			}
			order += role.Need.Name
		}
		if last.IsZero() {
			continue
		}
		if cause != nil {
			took := last.Sub(g.looked)
			k := &record.RailsFault{Text: cause.Error(), LookedSeconds: g.looked.Sub(g.begun).Seconds(), OffAfterSeconds: took.Seconds(), Within: took <= seconds(g.step.AllOff.SI)}
			g.kept.Fault = k
			text := fmt.Sprintf("the rails %s are all off, in the order %s, %s after the last look at which all was well; %s is allowed", g.step.Name, order, quantity.Of(took.Seconds(), quantity.Time).Text(3), g.step.AllOff)
			if k.Within {
				r.note("rails", "info", text)
			} else {
				r.note("rails", "error", text+": too slow; have the protection of one switch the others off")
			}
			r.judgeRails(g, cause, sent, last)
		}
		all = errors.Join(all, r.keepRails(g))
	}
	r.up = nil
	return all
}

// judgeRails judges the time from a fault until all rails were off. The fault came between the last look at which all was well and the way out, and the last
// rail went off between its command and the answer; U goes from the one end to the other, and the limit is met only with all of it.
func (r *runner) judgeRails(g *railGroup, cause error, sent, last time.Time) {
	var stop *Stop
	if !errors.As(cause, &stop) || stop.Kind != Safety {
		return // nobody says that something was wrong with them
	}
	most, least := last.Sub(g.looked).Seconds(), max(0, sent.Sub(r.leaves).Seconds())
	value, u := (most+least)/2, (most-least)/2
	limit := g.step.AllOff.SI
	v := record.Verdict{Limit: fmt.Sprintf("rails %s all off <= %s", g.step.Name, g.step.AllOff), Rule: verdict.GuardBand.String(), Value: value, U: u, Bound: limit, Unit: "s", Side: record.AtMost, Where: g.kept.Where}
	d := verdict.Decide(verdict.GuardBand, value, u/2, limit, verdict.AtMost)
	v.Band, v.Risk = d.Band, d.Risk
	switch d.Outcome {
	case verdict.Pass:
		v.Outcome = record.Pass
	case verdict.Fail:
		v.Outcome = record.Fail
	default:
		v.Outcome, v.Advice = record.Undecided, "look at the rails more often: a longer all_off, or instruments that answer sooner"
	}
	r.verdict(v)
}

func (r *runner) keepRails(g *railGroup) error {
	if r.keeper == nil {
		return nil
	}
	data, err := json.MarshalIndent(g.kept, "", "  ")
	if err != nil {
		return r.stop(Fault, "the rails cannot be kept: %w", err)
	}
	return r.keeper.Put(record.RailsFile(g.kept.Name), append(data, '\n'))
}
