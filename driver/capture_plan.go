package driver

import (
	"context"
	"fmt"
	"math"
	"slices"

	"fourwire/driver/model"
	"fourwire/quantity"
)

// planCapture holds what is wanted against what the model can, and says it in words.
func (d *Digitiser) planCapture(want Capture) (a Armed, words []word, err error) {
	spec := d.spec.Digitises
	a = Armed{Points: want.Points, Before: want.Before, Count: max(want.Count, 1), BandwidthHertz: spec.BandwidthHertz, SkewSeconds: spec.SkewSeconds}
	feed, err := d.captureFeed(want.Functions)
	if err != nil {
		return a, nil, err
	}
	words = append(words, word{verb: feed})
	for _, f := range want.Functions {
		r, w, err := d.captureRange(f, want)
		if err != nil {
			return a, nil, err
		}
		a.Ranges, words = append(a.Ranges, r), append(words, w...)
		name := ""
		if l := d.in.config.Ledger; l != nil {
			name = d.sharedInputs(l, f, r.Full, r.Accuracy.Coverage).prefix
		}
		a.Inputs = append(a.Inputs, name)
	}
	timing, err := d.captureTiming(want, &a)
	if err != nil {
		return a, nil, err
	}
	trigger, err := d.triggerWords(want, a.Ranges)
	if err != nil {
		return a, nil, err
	}
	return a, d.sayable(append(append(words, timing...), trigger...)), nil
}

// sayable leaves out what the dialect has no words for and what is as it would be without them.
func (c *channel) sayable(words []word) []word {
	return slices.DeleteFunc(words, func(w word) bool { return !c.canSay(w.verb) })
}

// captureFeed is the verb that chooses what is captured; it may have no words.
func (d *Digitiser) captureFeed(functions []Function) (verb string, err error) {
	for _, f := range functions {
		if len(d.ranges(f)) == 0 || !d.canAsk("fetch "+f.String()) {
			return "", fmt.Errorf("capturing %v: %w (model %s)", f, ErrNoAbility, d.in.model.Name)
		}
	}
	switch {
	case len(functions) == 1:
		return "capture " + functions[0].String(), nil
	case len(functions) != 2 || functions[0] == functions[1]:
		return "", fmt.Errorf("what is captured is amps, volts, or both, not %v", functions)
	case !d.spec.Together:
		return "", fmt.Errorf("capturing amps and volts together: %w (model %s)", ErrNoAbility, d.in.model.Name)
	}
	return "capture both", nil
}

func (d *Digitiser) captureRange(f Function, want Capture) (model.Range, []word, error) {
	expect := want.AmpsFull
	if f == Volts {
		expect = want.VoltsFull
	}
	if expect == 0 {
		expect = math.NaN()
	}
	r, err := d.rangeFor(Request{Function: f, Expect: expect})
	if err != nil {
		return r, nil, err
	}
	if math.Abs(expect) > r.Full*(1+r.Over) {
		return r, nil, fmt.Errorf("up to %s is expected, and the largest range is %s", quantity.Of(expect, f.Dim()), quantity.Of(r.Full, f.Dim()))
	}
	return r, []word{{verb: "range " + f.String(), x: r.Full}}, nil
}

// captureTiming looks at the samples or readings of each trigger.
func (d *Digitiser) captureTiming(want Capture, a *Armed) (words []word, err error) {
	if !(want.DelaySeconds >= 0) || want.Count < 0 || want.Before < 0 || want.Points < 0 {
		return nil, fmt.Errorf("points, samples before the trigger, triggers and delay of a capture are not negative: %+v", want)
	}
	if want.ApertureSeconds > 0 {
		if words, err = d.readingTiming(want, a); err != nil {
			return nil, err
		}
	} else {
		if a.IntervalSeconds, err = d.captureInterval(want); err != nil {
			return nil, err
		}
		words = []word{{verb: "capture interval", x: a.IntervalSeconds}}
	}
	if want.DelaySeconds > 0 && !d.canSay("capture delay") {
		return nil, fmt.Errorf("a delay behind the trigger: %w (model %s)", ErrNoAbility, d.in.model.Name)
	}
	if a.Count > 1 && !d.canSay("capture count") {
		return nil, fmt.Errorf("several triggers: %w (model %s)", ErrNoAbility, d.in.model.Name)
	}
	return append(words, word{verb: "capture points", x: float64(a.Points)}, word{verb: "capture before", x: float64(a.Before)},
		word{verb: "capture count", x: float64(a.Count)}, word{verb: "capture delay", x: want.DelaySeconds}), nil
}

// readingTiming is captureTiming for readings, one for each trigger.
func (d *Digitiser) readingTiming(want Capture, a *Armed) (words []word, err error) {
	spec := d.spec.Digitises
	switch {
	case spec.Readings == 0:
		return nil, fmt.Errorf("readings at triggers: %w (model %s)", ErrNoAbility, d.in.model.Name)
	case want.Points > 1 || want.Before > 0 || want.IntervalSeconds != 0:
		return nil, fmt.Errorf("a capture takes one reading at each trigger, or samples at an interval, and not both: leave out points, samples before and interval, or the aperture")
	case a.Count > spec.Readings:
		return nil, fmt.Errorf("%d readings are asked for, and the buffer holds %d", a.Count, spec.Readings)
	}
	aperture, err := d.apertureFor(secondsOf(want.ApertureSeconds))
	if err != nil {
		return nil, err
	}
	a.Points, a.ApertureSeconds, a.BandwidthHertz = 1, aperture.Seconds(), 0
	for _, f := range want.Functions {
		words = append(words, word{verb: "aperture " + f.String(), x: aperture.Seconds()})
	}
	return words, nil
}

func (d *Digitiser) captureInterval(want Capture) (float64, error) {
	spec := d.spec.Digitises
	switch count := max(want.Count, 1); {
	case spec.Points == 0:
		return 0, fmt.Errorf("samples at an interval: %w (model %s)", ErrNoAbility, d.in.model.Name)
	case want.Points < 2:
		return 0, fmt.Errorf("a capture has 2 samples at least, not %d; for single readings state an aperture", want.Points)
	case want.Points > spec.Points/count:
		return 0, fmt.Errorf("%d samples at %d triggers are asked for, and the buffer holds %d; take a longer interval", want.Points, count, spec.Points)
	case want.Before > want.Points:
		return 0, fmt.Errorf("%d samples before the trigger are asked for, of %d in all", want.Before, want.Points)
	case want.Before > 0 && !spec.Before:
		return 0, fmt.Errorf("samples before the trigger: %w (model %s)", ErrNoAbility, d.in.model.Name)
	}
	seconds := onGrid(want.IntervalSeconds, spec.Grid)
	allowed := quantity.Span{Low: spec.Least.Seconds(), High: spec.Most.Seconds(), Dim: quantity.Time, Set: true}
	if !(seconds >= allowed.Low*(1-1e-12) && seconds <= allowed.High*(1+1e-12)) {
		return 0, &LimitError{Instrument: d.in.config.Name, Channel: d.number, What: "an interval between samples", Asked: quantity.Of(seconds, quantity.Time), Allowed: allowed}
	}
	return seconds, nil
}

// triggerWords says what is waited for.
func (d *Digitiser) triggerWords(want Capture, ranges []model.Range) ([]word, error) {
	t := want.Trigger
	if t.On == "" {
		t.On = AtOnce
	}
	if !d.spec.Digitises.CanTrigger(string(t.On)) {
		return nil, fmt.Errorf("waiting for %q: %w (model %s waits for %q)", t.On, ErrNoAbility, d.in.model.Name, d.spec.Digitises.Triggers)
	}
	verb := "wait for " + string(t.On)
	switch t.On {
	case OnLine:
		if err := d.line(t.Line); err != nil {
			return nil, err
		}
		return []word{{verb: verb, x: float64(t.Line)}}, nil
	case OnVolts, OnAmps:
		return d.levelWords(verb, want, ranges)
	}
	return []word{{verb: verb}}, nil
}

// levelWords says at which level, and how.
func (d *Digitiser) levelWords(verb string, want Capture, ranges []model.Range) ([]word, error) {
	t, f := want.Trigger, Volts
	if t.On == OnAmps {
		f = Amps
	}
	r, err := d.rangeFor(Request{Function: f, Expect: math.NaN()})
	if err != nil {
		return nil, err
	}
	if i := slices.Index(want.Functions, f); i >= 0 {
		r = ranges[i]
	}
	if full := r.Full * (1 + r.Over); !(math.Abs(t.Level) <= full) || !(t.Hysteresis >= 0 && t.Hysteresis <= full) {
		return nil, fmt.Errorf("a trigger at %s with a hysteresis of %s is beyond the range of %s", quantity.Of(t.Level, f.Dim()), quantity.Of(t.Hysteresis, f.Dim()), quantity.Of(r.Full, f.Dim()))
	}
	slope := "slope either"
	switch {
	case t.Slope > 0:
		slope = "slope rising"
	case t.Slope < 0:
		slope = "slope falling"
	}
	for _, need := range []struct {
		verb, what string
		wanted     bool
	}{{slope, "a choice of the slope", t.Slope != 0}, {"hysteresis " + f.String(), "a hysteresis of the trigger", t.Hysteresis > 0}} {
		if need.wanted && !d.canSay(need.verb) {
			return nil, fmt.Errorf("%s: %w (model %s)", need.what, ErrNoAbility, d.in.model.Name)
		}
	}
	return []word{{verb: verb, x: t.Level}, {verb: slope}, {verb: "hysteresis " + f.String(), x: t.Hysteresis}}, nil
}

// line looks whether there is a trigger line of that number.
func (c *channel) line(number int) error {
	if most := c.in.model.Lines(); number < 1 || number > most {
		return fmt.Errorf("trigger line %d: the model %s has %d lines", number, c.in.model.Name, most)
	}
	return nil
}

// verifyCapture asks what will be used, as far as the instrument can say it, in one message where it may.
func (d *Digitiser) verifyCapture(ctx context.Context, a *Armed) error {
	look := inspection{answers: map[string]answer{}}
	verbs := []string{"capture interval", "capture points", "capture before", "bandwidth"}
	if a.ApertureSeconds > 0 {
		verbs = []string{"capture points"}
	}
	for _, verb := range verbs {
		if d.canAsk(verb) {
			look.verbs = append(look.verbs, verb)
		}
	}
	if len(look.verbs) == 0 {
		return nil
	}
	if err := d.askAll(ctx, &look); err != nil {
		return err
	}
	for _, verb := range look.verbs {
		n, err := look.answers[verb].number()
		x := math.NaN()
		if err == nil {
			x, err = n.Float()
		}
		if err == nil && !(math.Abs(x) < 1e18) {
			err = fmt.Errorf("%v is no answer", x)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", verb, err)
		}
		if err := a.uses(verb, x, d.spec.Digitises.Grid.Seconds()); err != nil {
			return err
		}
	}
	return nil
}

// uses takes note of what the instrument says that it uses, where that is near enough to what was sent.
func (a *Armed) uses(verb string, x, grid float64) error {
	switch verb {
	case "bandwidth":
		if x > 0 {
			a.BandwidthHertz = x
		}
	case "capture interval":
		off := math.Abs(x - a.IntervalSeconds)
		if !(off <= math.Max(grid/2, 0.01*a.IntervalSeconds)) {
			return fmt.Errorf("%s: %w: %s was sent, %s is used", verb, ErrNotTaken, quantity.Of(a.IntervalSeconds, quantity.Time), quantity.Of(x, quantity.Time))
		}
		if off > 1e-9*a.IntervalSeconds { // less is the rounding of the answer
			a.IntervalSeconds = x
		}
	case "capture points":
		if int(x) != a.Points {
			return fmt.Errorf("%s: %w: %d was sent, %g is used", verb, ErrNotTaken, a.Points, x)
		}
	case "capture before":
		if int(math.Abs(x)) != a.Before {
			return fmt.Errorf("%s: %w: %d was sent, %g is used", verb, ErrNotTaken, a.Before, x)
		}
	}
	return nil
}
