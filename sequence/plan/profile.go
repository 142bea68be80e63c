package plan

import (
	"fmt"
	"math"
	"strings"

	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/sequence"
	"fourwire/sequence/profile"
)

// hostJitter is by how much a setting from the computer may come late beside what the instrument takes for it: common practice for networks, 1 to
// 20 ms, no source.
const hostJitter = 5e-3 // s

// ProfileAbility is what the source of a role can do of a profile, by its model.
func (p *Plan) ProfileAbility(role int) profile.Ability {
	ch := p.channelOf(p.Roles[role].Channel)
	if ch == nil || ch.Source == nil {
		return profile.Ability{HostSeconds: hostJitter}
	}
	s := ch.Source
	a := profile.Ability{LowVolts: s.Volts.Low, HighVolts: s.Volts.High, StepVolts: s.SetVolts.Resolution, SlewUp: s.SlewUp, SlewDown: s.SlewDown,
		HostSeconds: hostJitter + setMessages*p.models[p.Roles[role].Channel.Instrument].Timing.Processing.Seconds()}
	if l := ch.Lists; l != nil && l.Volts {
		a.Steps, a.Least, a.Most = l.Steps, l.Least.Seconds(), l.Most.Seconds()
	}
	return a
}

func (p *Plan) channelOf(ch Channel) *model.Channel {
	c := binder{models: p.models}
	return c.channel(ch)
}

// Follow works out how the source of a role comes nearest to a profile.
func (p *Plan) Follow(s *sequence.Profile, w profile.Wave) profile.Following {
	role := p.RoleIndex(s.Role)
	if role < 0 {
		return profile.Following{}
	}
	return profile.Nearest(w, p.ProfileAbility(role), s.Within)
}

// Nearest says in words how a source follows a wave: by what, how far off, and where it cannot.
func (p *Plan) Nearest(s *sequence.Profile, w profile.Wave, f profile.Following) string {
	role := p.RoleIndex(s.Role)
	if role < 0 {
		return ""
	}
	r, a := &p.Roles[role], p.ProfileAbility(role)
	text := fmt.Sprintf("%s follows %s ", r.Channel, s.Title())
	switch {
	case f.By == profile.ByList:
		text += fmt.Sprintf("by a list of %d steps of its own", len(f.Steps))
	case a.Steps == 0:
		text += fmt.Sprintf("set by set from the computer, %d times, since it runs no lists of voltages", len(f.Steps))
	case !w.EndsSafe():
		text += fmt.Sprintf("set by set from the computer, %d times, since a list ends where it began or at 0 V", len(f.Steps))
	default:
		text += fmt.Sprintf("set by set from the computer, %d times, since the %d steps of its list are too few", len(f.Steps), a.Steps)
	}
	allowed := []string{}
	if s.Within.Relative > 0 {
		allowed = append(allowed, quantity.Of(s.Within.Relative, quantity.Ratio).String())
	}
	if s.Within.Volts > 0 {
		allowed = append(allowed, quantity.Volt(s.Within.Volts).String())
	}
	band := strings.Join(allowed, " + ")
	if s.Within.Seconds > 0 {
		band += fmt.Sprintf(" (%s early or late)", quantity.Second(s.Within.Seconds))
	}
	if f.Exact() {
		text += ", within " + band + " all the time"
	} else {
		text += fmt.Sprintf("; that is the nearest achievable: outside %s for %s in all, up to %s off (at %s)", band, quantity.Of(f.OutsideSeconds, quantity.Time).Text(2), quantity.Of(f.WorstVolts, quantity.Voltage).Text(3), quantity.Of(f.WorstAt, quantity.Time).Text(4))
		low, high := w.Span()
		if f.LowVolts > low+allowedAt(s.Within, low) {
			text += fmt.Sprintf("; down to %s in place of %s", quantity.Of(f.LowVolts, quantity.Voltage).Text(3), quantity.Volt(low))
		}
		if f.HighVolts < high-allowedAt(s.Within, high) {
			text += fmt.Sprintf("; up to %s in place of %s", quantity.Of(f.HighVolts, quantity.Voltage).Text(3), quantity.Volt(high))
		}
	}
	if f.Clipped {
		text += fmt.Sprintf("; it can be set to %s..%s", quantity.Volt(a.LowVolts), quantity.Volt(a.HighVolts))
	}
	if e, n := steepest(f.Edges); n > 0 && !f.Exact() {
		text += fmt.Sprintf("; %s to %s (at %s) is to take %s and takes %s", quantity.Of(e.From, quantity.Voltage).Text(3), quantity.Of(e.To, quantity.Voltage).Text(3), quantity.Of(e.At, quantity.Time).Text(4), quantity.Of(e.Asked, quantity.Time).Text(3), quantity.Of(e.Takes, quantity.Time).Text(3))
		if n > 1 {
			text += fmt.Sprintf(", and %d more edges take too long", n-1)
		}
	}
	if p := s.Preset; p != nil && p.SourceOhm[1] > 0 {
		text += fmt.Sprintf("; the resistance of the supply, %s to %s, is not made", quantity.Ohm(p.SourceOhm[0]), quantity.Ohm(p.SourceOhm[1]))
	}
	return text
}

func allowedAt(t profile.Tolerance, volts float64) float64 {
	return t.Relative*math.Abs(volts) + t.Volts
}

// steepest is the edge that takes longest beyond what is asked.
func steepest(list []profile.Edge) (worst profile.Edge, n int) {
	for _, e := range list {
		if e.Takes-e.Asked > worst.Takes-worst.Asked {
			worst = e
		}
	}
	return worst, len(list)
}

// profiles works out how sources follow the profiles, and says it: as a note where that is close enough, as a warning where it is not.
func (c *binder) profiles() {
	type known struct {
		f     profile.Following
		wave  profile.Wave
		where string
	}
	worst := map[*sequence.Profile]known{}
	var order []*sequence.Profile
	complained := map[diag.Place]bool{}
	w := newWalker(c.plan, hooks{profile: func(w *walker, s *sequence.Profile, wave profile.Wave, _ int) {
		i := c.plan.RoleIndex(s.Role)
		if i < 0 || c.plan.Roles[i].Channel == (Channel{}) {
			return
		}
		if !w.state[i].On && w.inactive == 0 && !complained[s.Place] {
			complained[s.Place] = true
			c.found.AddHint(s.Place, "put a source step before it", "%s is off when its profile begins", s.Role)
		}
		if wave == nil {
			return
		}
		f := c.plan.Follow(s, wave)
		had, ok := worst[s]
		if !ok {
			order = append(order, s)
		}
		if !ok || f.OutsideSeconds > had.f.OutsideSeconds || f.OutsideSeconds == had.f.OutsideSeconds && f.WorstVolts > had.f.WorstVolts {
			worst[s] = known{f, wave, w.where()}
		}
	}})
	w.run()
	for _, s := range order {
		k := worst[s]
		text := c.plan.Nearest(s, k.wave, k.f) + andAt(k.where)
		if s.Preset != nil {
			c.plan.Fit.Notes = append(c.plan.Fit.Notes, fmt.Sprintf("%s: %s", s.Preset.Name, s.Preset.Tag()))
		}
		if k.f.Exact() {
			c.plan.Fit.Notes = append(c.plan.Fit.Notes, text)
		} else {
			c.found.Warn(s.Place, "a faster source, or one with a longer list, comes nearer", "%s", text)
		}
		if note := c.dischargeNote(s, k.wave); note != "" {
			c.plan.Fit.Notes = append(c.plan.Fit.Notes, note)
		}
	}
}

// dischargeNote says which current a falling edge needs where the source takes none in: C dV/dt.
func (c *binder) dischargeNote(s *sequence.Profile, w profile.Wave) string {
	r := &c.plan.Roles[c.plan.RoleIndex(s.Role)]
	ch := c.channel(r.Channel)
	if ch == nil || ch.Source == nil || ch.Source.OutputFarads <= 0 || len(ch.Source.Quadrants) > 1 {
		return ""
	}
	slew := 0.0
	for i := 1; i < len(w); i++ {
		if fall := w[i-1].Volts - w[i].Volts; fall > 0 {
			slew = math.Max(slew, fall/(w[i].Seconds-w[i-1].Seconds))
		}
	}
	if ch.Source.SlewDown > 0 {
		slew = math.Min(slew, ch.Source.SlewDown)
	}
	if slew == 0 || math.IsInf(slew, 0) {
		return ""
	}
	return fmt.Sprintf("%s takes no current in: its %s fall by %s only while the device draws %s or more; a device that lets go is slower", r.Channel,
		quantity.Of(ch.Source.OutputFarads, quantity.Capacitance), quantity.Of(slew, quantity.VoltageSlew).Text(3), quantity.Of(ch.Source.OutputFarads*slew, quantity.Current).Text(2))
}

// profile walks a profile: its highest and its lowest voltage as settings, then where it ends.
func (w *walker) profile(s *sequence.Profile, times int) {
	i, ok := w.roles[s.Role]
	if !ok {
		return
	}
	wave, err := s.Wave(w)
	if err != nil {
		wave = nil
	}
	if w.hooks.profile != nil {
		w.hooks.profile(w, s, wave, times)
	}
	if wave == nil {
		w.state[i].Volts = math.NaN()
		return
	}
	low, high := wave.Span()
	for _, volts := range []float64{high, low, wave.Last()} {
		was := w.state[i]
		w.state[i].Volts = volts
		if w.hooks.set != nil && volts != was.Volts {
			w.hooks.set(w, i, was, s.At(), 0)
		}
	}
}

// profile counts the time of a profile, with its repeats.
func (s *stopwatch) profile(_ *walker, step *sequence.Profile, w profile.Wave, times int) {
	if w != nil {
		whole := float64(step.Repeat)*w.Seconds() + float64(step.Repeat-1)*step.Gap.SI
		s.add(ledger.FixedWait, times, seconds(whole))
		s.passing(seconds(w.Seconds()))
	}
}
