package driver

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"fourwire/driver/model"
	"fourwire/driver/scpi"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/transport"
)

// measuring is what is known of a channel's measuring side; the zero value is nothing.
type measuring struct {
	function Function         // selected
	full     [3]float64       // range by function
	aperture [3]time.Duration // by function
	running  *acquisition     // the last one that was begun
	inputs   map[Function]map[float64]inputs
}

// acquisition is one measurement of a channel, of one function or of both.
type acquisition struct {
	channel  *channel
	aperture time.Duration
	start    time.Time
	wanted   [3]bool // functions that somebody waits for
	given    [3]bool // and those that have been given out
	full     [3]float64
	value    [3]scpi.Number
	at       [3]time.Time // when the value came
	have     [3]bool
	posed    Function // whose question has been sent, where it is sent at once
	question []byte
	err      error
}

// open tells whether somebody still waits for a value of it.
func (a *acquisition) open() bool {
	for f := Volts; f <= Amps; f++ {
		if a.wanted[f] && !a.given[f] && a.err == nil {
			return true
		}
	}
	return false
}

// begun tells whether a value of it has come.
func (a *acquisition) begun() bool { return a.have[Volts] || a.have[Amps] }

// stop stops a running acquisition, where there are words for it. Those of other channels that went with it are started again.
func (c *channel) stop(ctx context.Context) error {
	if !c.canSay("abort") {
		return nil
	}
	for i := range c.in.channels {
		if other := &c.in.channels[i]; other.records() {
			return fmt.Errorf("%w: to stop a reading would stop the recording of channel %d", ErrBusy, other.number)
		} else if other.captures() || other.list != nil && other.list.running {
			return fmt.Errorf("%w: to stop a reading would stop the capture or the list of channel %d", ErrBusy, other.number)
		}
	}
	if err := c.say(ctx, word{verb: "abort"}); err != nil {
		return err
	}
	for i := range c.in.channels {
		other := &c.in.channels[i]
		if other == c || other.running == nil || !other.running.open() || other.running.begun() {
			continue
		}
		other.running.start = c.in.clock.Now()
		if err := other.say(ctx, word{verb: "start"}); err != nil {
			return err
		}
	}
	return nil
}

// begin starts an acquisition, or joins the one that is running.
func (c *channel) begin(ctx context.Context, r Request) (*acquisition, error) {
	switch {
	case c.records():
		return nil, errRecords
	case c.captures():
		return nil, errCaptures
	}
	if err := c.in.hearPosed(ctx); err != nil {
		return nil, err
	}
	span, err := c.rangeFor(r)
	if err != nil {
		return nil, err
	}
	aperture, err := c.apertureFor(r.Aperture)
	if err != nil {
		return nil, err
	}
	a := &acquisition{channel: c, aperture: aperture}
	switch old := c.running; {
	case old == nil || !c.canSay("start"):
	case old.open() && !old.begun():
		switch {
		case !c.spec.Together && !old.wanted[r.Function]:
			return nil, fmt.Errorf("%w: this channel measures volts or amps, one at a time", ErrBusy)
		case !c.differs(r, aperture) && old.aperture == aperture:
			old.wanted[r.Function], old.full[r.Function] = true, span.Full
			return old, nil
		}
		a = old // another range or aperture is wanted now: the reading begins again, for everybody who waits for it
		a.aperture = aperture
		if err := c.stop(ctx); err != nil {
			return nil, err
		}
	case !old.begun():
		if err := c.stop(ctx); err != nil { // given up, and perhaps still running
			return nil, err
		}
	}
	if err := c.configure(ctx, r, aperture); err != nil {
		return nil, err
	}
	a.wanted[r.Function], a.full[r.Function] = true, span.Full
	c.running = a
	a.start = c.in.clock.Now()
	if c.canSay("start") {
		return a, c.say(ctx, word{verb: "start"})
	}
	return a, a.pose(ctx, r.Function)
}

// differs tells whether anything has to be set for a request.
func (c *channel) differs(r Request, aperture time.Duration) bool {
	return len(c.settings(r, aperture)) > 0
}

// settings are the words that bring a channel to a request; none where it is there already. An aperture of 0 is left alone.
func (c *channel) settings(r Request, aperture time.Duration) []word {
	f := r.Function
	var words []word
	if verb := "function " + f.String(); c.function != f && c.canSay(verb) {
		words = append(words, word{verb: verb})
	}
	span, err := c.rangeFor(r)
	if verb := "range " + f.String(); err == nil && c.full[f] != span.Full && c.canSay(verb) {
		words = append(words, word{verb: verb, x: span.Full})
	}
	if verb := "aperture " + f.String(); aperture != 0 && c.aperture[f] != aperture && c.canSay(verb) {
		words = append(words, word{verb: verb, x: aperture.Seconds()})
	}
	return words
}

// configure sets what differs and looks whether it was taken: a reading on another range than believed would have the wrong uncertainty.
func (c *channel) configure(ctx context.Context, r Request, aperture time.Duration) error {
	words := c.settings(r, aperture)
	if len(words) == 0 {
		return nil
	}
	if slices.ContainsFunc(words, func(w word) bool { return !strings.HasPrefix(w.verb, "aperture") }) {
		defer c.in.whole(ctx, ledger.Range).Leave()
	}
	if err := c.act(ctx, words...); err != nil {
		c.measuring = measuring{inputs: c.inputs}
		return err
	}
	span, _ := c.rangeFor(r)
	c.function, c.full[r.Function] = r.Function, span.Full
	if aperture != 0 {
		c.aperture[r.Function] = aperture
		if c.spec.Together { // one aperture for both
			c.aperture = [3]time.Duration{Volts: aperture, Amps: aperture}
		}
	}
	return nil
}

// pose sends the question of an instrument that measures when it is asked.
func (a *acquisition) pose(ctx context.Context, f Function) error {
	c := a.channel
	questions, err := c.questions("read " + f.String())
	if err != nil {
		return err
	}
	if len(questions) != 1 {
		return nil // several messages: asked when the reading is ended
	}
	a.question, a.posed = questions[0], f
	if err := c.in.device.Pose(ctx, a.question); err != nil {
		return err
	}
	c.in.posed = a
	return nil
}

// hearPosed takes the answer that is still to come, before anything else is said.
func (in *Instrument) hearPosed(ctx context.Context) error {
	a := in.posed
	if a == nil {
		return nil
	}
	in.posed = nil
	f := a.posed
	in.expect(ledger.Aperture, a.left(), ledger.Processing)
	raw, err := in.device.Hear(ctx, a.question, in.within(a.longest()))
	if err != nil {
		a.err = err
		return err
	}
	a.take(f, raw)
	return a.err
}

// left is how much of the aperture is still to pass.
func (a *acquisition) left() time.Duration { return a.aperture - a.channel.in.clock.Since(a.start) }

// longest is how long a reading takes beyond an ordinary answer.
func (a *acquisition) longest() time.Duration {
	t := a.channel.in.model.Timing
	return 2*a.aperture + t.Reading + t.RangeChange + t.ModeChange
}

// take reads the answer to a question for a value.
func (a *acquisition) take(f Function, raw []byte) {
	c := a.channel
	q := c.spec.Dialect.Ask["read "+f.String()]
	got, err := c.in.read(q, raw)
	if err == nil {
		a.value[f], err = got.number()
	}
	if err != nil {
		a.err = c.in.device.Fault(a.question, err)
		return
	}
	a.have[f], a.at[f] = true, c.in.clock.Now()
}

// reading waits for the value of a function and makes a reading of it.
func (a *acquisition) reading(ctx context.Context, f Function) (Reading, error) {
	if err := a.channel.in.hearPosed(ctx); err != nil {
		return Reading{}, err
	}
	if !a.have[f] && a.err == nil {
		a.err = a.fetch(ctx, f)
	}
	if a.err != nil {
		return Reading{}, a.err
	}
	a.given[f] = true
	return a.channel.evaluate(a, f)
}

// fetch asks for the values that are waited for, in one message where the model allows. A long acquisition is waited for without blocking the
// connection where the instrument can say when it has ended.
func (a *acquisition) fetch(ctx context.Context, f Function) error {
	c := a.channel
	if a.aperture >= longReading && c.canSay("start") && c.in.canWait() {
		// it cannot have ended before its aperture has passed; from there on the instrument is asked
		if err := c.in.sleep(ctx, a.left(), ledger.Aperture); err != nil {
			return c.in.device.Fault([]byte("read "+f.String()), transport.Interrupted(ctx, "the reading had not ended"))
		}
		if err := c.in.device.WaitComplete(ctx, a.longest()+c.in.within(0)); err != nil {
			return err
		}
	}
	functions := []Function{f}
	for other := Volts; other <= Amps; other++ {
		if other != f && a.wanted[other] && !a.have[other] {
			functions = append(functions, other)
		}
	}
	if len(functions) == 2 {
		if joined, ok := c.together(functions); ok {
			return a.fetchBoth(ctx, joined, functions)
		}
	}
	c.in.expect(ledger.Aperture, a.left(), ledger.Processing)
	got, err := c.askWithin(ctx, "read "+f.String(), a.longest())
	if err != nil {
		return err
	}
	if a.value[f], err = got.number(); err != nil {
		return err
	}
	a.have[f], a.at[f] = true, c.in.clock.Now()
	return nil
}

// canWait tells whether the end of what is pending can be waited for.
func (in *Instrument) canWait() bool {
	return in.model.Dialect.CanSay("mark end") && in.model.Dialect.CanAsk("events")
}

// together joins the questions for two functions, where each is one message with an answer of one element.
func (c *channel) together(functions []Function) (question []byte, ok bool) {
	for _, f := range functions {
		verb := "read " + f.String()
		q := c.spec.Dialect.Ask[verb]
		if len(q.Fields) != 1 || q.Match != nil {
			return nil, false
		}
		parts, err := c.questions(verb)
		if err != nil || len(parts) != 1 {
			return nil, false
		}
		start := len(question)
		if start > 0 {
			question = append(question, ';')
		}
		question = append(question, parts[0]...)
		if start > 0 && !c.in.joins(question, start+1) {
			return nil, false
		}
	}
	return question, true
}

func (a *acquisition) fetchBoth(ctx context.Context, question []byte, functions []Function) error {
	c := a.channel
	a.question = question
	c.in.expect(ledger.Aperture, a.left(), ledger.Processing)
	raw, err := c.in.device.AskWithin(ctx, question, c.in.within(a.longest()))
	if err != nil {
		return err
	}
	first, second, ok := bytes.Cut(raw, []byte(";"))
	if !ok {
		return c.in.device.Fault(question, fmt.Errorf("the answer %q has one element, 2 are wanted: %w", shown(raw), scpi.ErrFields))
	}
	for i, part := range [][]byte{first, second} {
		if a.take(functions[i], part); a.err != nil {
			return a.err
		}
	}
	return nil
}

// evaluate makes a reading of a value that has come.
func (c *channel) evaluate(a *acquisition, f Function) (Reading, error) {
	r := Reading{RangeFull: a.full[f], Start: a.start, End: a.at[f]}
	n := a.value[f]
	span, err := c.rangeFor(Request{Function: f, Expect: a.full[f]})
	switch {
	case err != nil:
		return r, err
	case n.State == scpi.NotANumber:
		return r, fmt.Errorf("%w of %s: it answers %s", ErrNoReading, f, n.State)
	case n.State != scpi.Valid || !span.Holds(n.X):
		r.Overload = true
		r.Value = measured.Exact(quantity.Of(math.NaN(), f.Dim()))
		return r, nil
	}
	q := quantity.Of(n.X, f.Dim())
	l := c.in.config.Ledger
	if l == nil {
		r.Value = measured.Exact(q)
		return r, nil
	}
	u := span.At(n.X, model.Conditions{ApertureSeconds: a.aperture.Seconds(), AmbientKelvin: c.in.config.AmbientKelvin, AgeSeconds: c.in.config.Age.Seconds()})
	in := c.sharedInputs(l, f, span.Full, span.Accuracy.Coverage)
	r.Inputs = in.prefix
	var terms [8]measured.Term
	list := append(terms[:0], measured.Term{Input: in.gain, Part: u.Gain}, measured.Term{Input: in.offset, Part: u.Offset})
	if u.TemperatureGain != 0 || u.TemperatureOffset != 0 {
		list = append(list, measured.Term{Input: in.temperatureGain, Part: u.TemperatureGain}, measured.Term{Input: in.temperatureOffset, Part: u.TemperatureOffset})
	}
	if u.AgeGain != 0 || u.AgeOffset != 0 {
		list = append(list, measured.Term{Input: in.ageGain, Part: u.AgeGain}, measured.Term{Input: in.ageOffset, Part: u.AgeOffset})
	}
	if u.Noise != 0 {
		list = append(list, measured.Term{Input: l.Own(measured.Input{Name: in.noise, Kind: measured.Noise}), Part: u.Noise})
	}
	if u.Quantisation != 0 {
		list = append(list, measured.Term{Input: l.Own(measured.Input{Name: in.resolution, Kind: measured.Quantisation, Shape: measured.Rectangular}), Part: u.Quantisation})
	}
	r.Value = measured.New(q, list...)
	return r, nil
}
