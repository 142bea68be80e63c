package driver

import (
	"context"
	"fmt"
	"slices"
	"time"

	"fourwire/driver/model"
	"fourwire/internal/ledger"
	"fourwire/quantity"
)

// List is the side of a source or load that runs through a list of levels by itself. Several of one channel are the same.
type List struct{ *channel }

// ListPlan says what a list does. A list goes on when this side is gone: its last level is where it stays, and has to be a safe one.
type ListPlan struct {
	Of     Function  // Volts of a source or of a load that holds volts, Amps of a load, or of a source's limit
	Levels []float64 // SI
	Dwell  []float64 // seconds of each step; one: of every step; none where StepOnTrigger is set
	// Safe is the level that the plan ends with, as whoever plans it says: 0 A for a load, 0 V or its start value for a source. A plan whose last
	// level is another is refused.
	Safe          float64
	StepOnTrigger bool  // each trigger makes one step; else one trigger starts the whole
	On            Event // AtOnce, Software or OnLine; empty: OnLine with a Line, else Software with StepOnTrigger, else AtOnce
	Line          int   // trigger line, from 1
}

// listing is what is known of a channel's list.
type listing struct {
	of        Function
	running   bool
	following bool // the channel follows the list, not its fixed value
}

var (
	errLists    = fmt.Errorf("%w: a list runs on this channel; wait until it has ended, or abort it", ErrBusy)
	errUnsafe   = fmt.Errorf("%w: a list goes on when nobody is there any more, and stays at its last step", ErrOrder)
	errNoList   = fmt.Errorf("%w: no list has been loaded", ErrOrder)
	errNoFixed  = fmt.Errorf("%w: set the fixed value before a list: it is where an abort goes", ErrOrder)
	errFollowed = fmt.Errorf("%w: the channel follows a list of another kind; abort it first", ErrOrder)
)

// List gives the list side of a channel.
func (in *Instrument) List(ch int) (*List, error) {
	c, err := in.at(ch)
	if err != nil {
		return nil, err
	}
	if c.spec.Lists == nil {
		return nil, c.cannot("running lists")
	}
	return &List{c}, nil
}

// Spec is what the model says of it.
func (l *List) Spec() *model.Lists { return l.spec.Lists }

// Load checks a plan and puts it into the instrument. The fixed value, where Abort goes, must have been set before: the voltage of a source, its limit, the
// current of a load. Protections stay as they are.
func (l *List) Load(ctx context.Context, p ListPlan) error {
	if err := l.free(ctx); err != nil {
		return l.wrap(err)
	}
	words, err := l.plan(p)
	if err != nil {
		return l.wrap(err)
	}
	if err := l.depth(ctx, len(p.Levels)); err != nil {
		return l.wrap(err)
	}
	l.list = &listing{of: p.Of, following: true}
	begins := l.stands.begins
	l.stands.begins = nil
	if err := l.act(ctx, differing(words, begins)...); err != nil {
		l.levelRange = 0 // how much of it was taken is not known
		l.list.of = 0
		return l.wrap(err)
	}
	if words[0].verb == "level range" {
		l.levelRange = words[0].x
	}
	for _, w := range words {
		switch w.verb {
		case "list timed", "list stepped", "list at once", "list software", "list line":
			l.stands.begins = append(l.stands.begins, w)
		}
	}
	return nil
}

// plan holds a plan against what the channel can, and says it in words.
func (l *List) plan(p ListPlan) (words []word, err error) {
	if l.list != nil && l.list.following && l.list.of != p.Of && l.list.of != 0 {
		return nil, errFollowed
	}
	words, err = l.levels(p)
	if err != nil {
		return nil, err
	}
	dwell, err := l.dwell(p)
	if err != nil {
		return nil, err
	}
	start, err := l.start(p)
	if err != nil {
		return nil, err
	}
	return append(append(words, dwell...), start...), nil
}

// levels checks what the list is of.
func (l *List) levels(p ListPlan) (words []word, err error) {
	verb := "list " + p.Of.String()
	var what string
	var allowed quantity.Span
	fixed := false
	s, load := l.spec.Source, l.spec.Load
	switch {
	case !(p.Of == Volts && l.spec.Lists.Volts || p.Of == Amps && l.spec.Lists.Amps):
		return nil, fmt.Errorf("a list of %v: %w (model %s)", p.Of, ErrNoAbility, l.in.model.Name)
	case s != nil && p.Of == Volts:
		what, allowed, fixed = "a voltage", s.Volts, l.level
	case s != nil:
		what, allowed, fixed = "a current limit", s.Amps, l.limited
	case p.Of == Volts:
		what, allowed, fixed = "a voltage", load.Volts, l.mode == "volts"
	default:
		what, allowed, fixed = "a current", load.Amps, l.mode == "amps"
	}
	switch n := len(p.Levels); {
	case n == 0 || n > l.spec.Lists.Steps:
		return nil, fmt.Errorf("a list of %d steps: the model %s takes 1 to %d", n, l.in.model.Name, l.spec.Lists.Steps)
	case !fixed:
		return nil, errNoFixed
	case p.Levels[n-1] != p.Safe:
		return nil, fmt.Errorf("%w, which is %s here; end it with the safe level, %s", errUnsafe, quantity.Of(p.Levels[n-1], p.Of.Dim()), quantity.Of(p.Safe, p.Of.Dim()))
	case load != nil && s == nil && p.Of == Amps && p.Safe != load.Amps.Low:
		return nil, fmt.Errorf("%w: for a load that is %s, not %s", errUnsafe, quantity.Of(load.Amps.Low, quantity.Current), quantity.Of(p.Safe, quantity.Current))
	}
	for _, x := range p.Levels {
		if err := l.within(what, x, p.Of.Dim(), allowed); err != nil {
			return nil, err
		}
	}
	if load != nil && s == nil && p.Of == Amps {
		if full := load.LevelRange(slices.Max(p.Levels)); full > 0 && full != l.levelRange {
			words = append(words, word{verb: "level range", x: full})
		}
	}
	return append(words, word{verb: verb, values: p.Levels}), nil
}

// dwell checks how long steps last.
func (l *List) dwell(p ListPlan) ([]word, error) {
	allowed := quantity.Span{Low: l.spec.Lists.Least.Seconds(), High: l.spec.Lists.Most.Seconds(), Dim: quantity.Time, Set: true}
	switch n := len(p.Dwell); {
	case n == 0 && p.StepOnTrigger:
		return nil, nil
	case n != 1 && n != len(p.Levels):
		return nil, fmt.Errorf("%d dwell times for %d steps: one for all is wanted, or one each", n, len(p.Levels))
	}
	for _, x := range p.Dwell {
		if err := l.within("a dwell time", x, quantity.Time, allowed); err != nil {
			return nil, err
		}
	}
	return []word{{verb: "list dwell", values: p.Dwell}}, nil
}

// start says what the list, or each step of it, waits for.
func (l *List) start(p ListPlan) ([]word, error) {
	on := p.On
	switch {
	case on != "":
	case p.Line > 0:
		on = OnLine
	case p.StepOnTrigger:
		on = Software
	default:
		on = AtOnce
	}
	step, begin := word{verb: "list timed"}, word{verb: "list " + string(on), x: float64(p.Line)}
	if p.StepOnTrigger {
		step.verb = "list stepped"
	}
	switch {
	case on == AtOnce && p.StepOnTrigger:
		return nil, fmt.Errorf("steps are made by triggers, and the list waits for none")
	case on != AtOnce && on != Software && on != OnLine:
		return nil, fmt.Errorf("a list waits for %q, %q or %q, not for %q", AtOnce, Software, OnLine, on)
	case on == OnLine:
		if err := l.line(p.Line); err != nil {
			return nil, err
		}
	}
	for _, w := range []word{step, begin} {
		// without words for any choice it starts at once and runs by itself
		if !l.canSay(w.verb) && w.verb != "list timed" && w.verb != "list at once" || on == Software && !l.canSay("list trigger") {
			return nil, fmt.Errorf("%s: %w (model %s)", w.verb, ErrNoAbility, l.in.model.Name)
		}
	}
	return l.sayable([]word{step, begin}), nil
}

// depth asks how many steps the instrument takes, where it can say it.
func (l *List) depth(ctx context.Context, steps int) error {
	if !l.canAsk("list depth") {
		return nil
	}
	most, err := l.stands.depth, error(nil)
	if most == 0 {
		if most, err = l.setting(ctx, "list depth"); err == nil {
			l.stands.depth = most
		}
	}
	if err == nil && float64(steps) > most {
		l.stands.depth = 0 // asked anew
		err = fmt.Errorf("a list of %d steps: the instrument says that it takes %g", steps, most)
	}
	return err
}

// Start starts the list, or has it wait for its trigger.
func (l *List) Start(ctx context.Context) error {
	if l.list == nil || !l.list.following || l.list.of == 0 {
		return l.wrap(errNoList)
	}
	if err := l.free(ctx); err != nil {
		return l.wrap(err)
	}
	l.list.running = true
	return l.wrap(l.act(ctx, word{verb: "list start"})) // after an error it counts as running: whether it does is asked when it matters
}

// Trigger triggers a list that waits for Software: it starts, or makes a step.
func (l *List) Trigger(ctx context.Context) error {
	if l.list == nil || !l.list.running {
		return l.wrap(fmt.Errorf("%w: no list has been started", ErrOrder))
	}
	return l.wrap(l.act(ctx, word{verb: "list trigger"}))
}

// Running asks whether the list is under way, waiting for a trigger included. Once it has ended, its last level stays until something else is set.
func (l *List) Running(ctx context.Context) (bool, error) {
	on, err := l.listRuns(ctx)
	return on, l.wrap(err)
}

func (c *channel) listRuns(ctx context.Context) (bool, error) {
	if c.list == nil || !c.list.running {
		return false, nil
	}
	a, err := c.ask(ctx, "list state")
	if err != nil {
		return true, err
	}
	c.list.running = a.isOn("running")
	return c.list.running, nil
}

// Await asks from time to time whether the list has ended, for longest at most; one that still runs then is ErrBusy. The connection is free between.
func (l *List) Await(ctx context.Context, longest time.Duration) error {
	begun := l.in.clock.Now()
	for pause := time.Millisecond; ; pause = min(2*pause, longestPause) {
		on, err := l.listRuns(ctx)
		if err != nil || !on {
			return l.wrap(err)
		}
		left := longest - l.in.clock.Since(begun)
		if left <= 0 {
			return l.wrap(fmt.Errorf("%w: the list has not ended in %v", ErrBusy, longest))
		}
		if err := l.in.sleep(ctx, min(pause, left), ledger.Aperture); err != nil {
			return l.wrap(err)
		}
	}
}

// Abort stops the list, and whatever else runs in the instrument: the channel goes to its fixed value. It does so also where this side believes that
// the list has ended.
func (l *List) Abort(ctx context.Context) error {
	if l.list == nil {
		return nil
	}
	if err := l.in.halt(ctx, l.channel); err != nil {
		return l.wrap(err)
	}
	if words := l.unfollow(); len(words) > 0 {
		return l.wrap(l.act(ctx, words...))
	}
	return nil
}

// free is ErrBusy while a list runs on the channel.
func (c *channel) free(ctx context.Context) error {
	on, err := c.listRuns(ctx)
	if err == nil && on {
		err = errLists
	}
	return err
}

// unfollow are the words that have the channel follow its fixed value again. Behind one that sets it there is no jump.
func (c *channel) unfollow() []word {
	if c.list == nil || !c.list.following {
		return nil
	}
	c.list.following = false
	of := c.list.of
	if of == 0 { // a list that was refused
		return c.sayable([]word{{verb: "fixed volts"}, {verb: "fixed amps"}})
	}
	return []word{{verb: "fixed " + of.String()}}
}

// setFixed is act for settings, which wait for no list: they are ErrBusy while one runs. A fixed value of its kind ends the following of a list; f is 0 for
// settings that are none.
func (c *channel) setFixed(ctx context.Context, f Function, words ...word) error {
	if err := c.free(ctx); err != nil {
		return err
	}
	following := c.list != nil && c.list.following && f != 0 && (c.list.of == f || c.list.of == 0)
	if following {
		words = append(words, c.unfollow()...)
	}
	err := c.act(ctx, words...)
	if err != nil && following {
		c.list.following, c.list.of = true, 0 // how much of it was taken is not known
	}
	return err
}

// TriggerOut has a trigger line pulse: on "steps" of a list, on "capture" (a capture is triggered), on "output" (the output goes on), or not at all with "".
func (in *Instrument) TriggerOut(ctx context.Context, line int, on string) error {
	verb := "pulse at " + on
	switch on {
	case model.PulseStep, model.PulseTake, model.OnOutput:
	case "":
		verb = "pulse never"
	default:
		return in.channels[0].wrap(fmt.Errorf("a trigger line pulses at %q, %q or %q, not at %q", model.PulseStep, model.PulseTake, model.OnOutput, on))
	}
	c := &in.channels[0]
	for i := range in.channels {
		if in.channels[i].canSay(verb) {
			c = &in.channels[i]
			break
		}
	}
	if err := c.line(line); err != nil {
		return c.wrap(err)
	}
	if !c.canSay(verb) {
		return c.cannot(fmt.Sprintf("pulsing a trigger line on %q", on))
	}
	return c.wrap(c.act(ctx, word{verb: verb, x: float64(line)}))
}
