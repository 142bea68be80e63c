package driver

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"fourwire/driver/model"
	"fourwire/quantity"
)

// Recorder is the recording side of a channel: samples are taken without a pause into the instrument's buffer, and fetched from there in
// blocks. Several of one channel are the same. Outputs can be switched and set while it records; readings cannot be taken.
type Recorder struct{ *channel }

// Recording says what is recorded.
type Recording struct {
	Functions       []Function // Amps first where both are
	IntervalSeconds float64    // rounded to the model's grid
	MostAmps        float64    // largest current that is expected, for the top of the ranges; 0 or NaN: the largest there is
	VoltsFull       float64    // largest voltage that is expected, for the range of volts; 0 or NaN: the largest there is
	// LongestHold is how long the instrument may be made to hold an answer. Nothing else reaches it over the same connection meanwhile, not even
	// the command that switches it off. 0 is 200 ms, and longer only where it turns out that holding takes no time, as with a simulator that
	// does not wait for the clock.
	LongestHold time.Duration
}

// Started is a recording that runs.
type Started struct {
	IntervalSeconds float64         // that the instrument uses
	Depth           int64           // samples of each function that its buffer holds; 0: not known
	Ranges          [][]model.Range // by function, ascending: those that its samples can be of
	Inputs          [][]string      // by function and range: what the names of its error inputs begin with, as in Reading.Inputs; empty without a ledger
	At              time.Time       // just before the start was sent
	Within          time.Duration   // sample 0 begins so long after At at the latest
}

// Totals is the instrument's own count of a recording.
type Totals struct {
	Taken     int64   // samples of each function since the start, lost ones included
	Lost      int64   // -1 where it cannot say
	Coulombs  float64 // integral of the current over the samples taken; NaN where it cannot say
	Handovers int64   // changes of range; -1 where it cannot say
}

// recording is what is known of a channel's latest recording.
type recording struct {
	running   bool
	functions []Function
	interval  time.Duration
	hold      time.Duration // longest
	learns    bool          // it may become longer
	expects   time.Duration // for how long the answer that is asked for will be held; 0: not known
	ranges    int           // of amps; 0 where amps are not recorded
	next      int64
	lost      int64
	seen      time.Time // when the samples before next were there
	behind    bool      // more than what was fetched then may have been waiting
	raw       []byte    // memory for an answer
	question  []byte
}

var errRecords = fmt.Errorf("%w: the channel records, and takes no reading until the recording is stopped", ErrBusy)

// records tells whether a recording of the channel runs.
func (c *channel) records() bool { return c.recording != nil && c.recording.running }

// Recorder gives the recording side of a channel.
func (in *Instrument) Recorder(ch int) (*Recorder, error) {
	c, err := in.at(ch)
	if err != nil {
		return nil, err
	}
	if c.spec.Records == nil {
		return nil, c.cannot("recording")
	}
	return &Recorder{c}, nil
}

// Spec is what the model says of it.
func (r *Recorder) Spec() *model.Records { return r.spec.Records }

// Start begins a recording: it sets what is wanted, looks whether it was taken, and starts. What is recorded counts from sample 0.
func (r *Recorder) Start(ctx context.Context, want Recording) (Started, error) {
	begun, err := r.start(ctx, want)
	return begun, r.wrap(err)
}

func (r *Recorder) start(ctx context.Context, want Recording) (Started, error) {
	switch {
	case r.records():
		return Started{}, fmt.Errorf("%w: a recording runs already", ErrBusy)
	case r.running != nil && r.running.open():
		return Started{}, ErrBusy
	}
	feed, err := r.feed(want.Functions)
	if err != nil {
		return Started{}, err
	}
	interval, err := r.interval(want.IntervalSeconds)
	if err != nil {
		return Started{}, err
	}
	s := Started{IntervalSeconds: interval, Depth: r.spec.Records.Depth}
	words, err := r.recordRanges(want, &s)
	if err != nil {
		return Started{}, err
	}
	if r.running != nil && !r.running.begun() { // given up, and perhaps still running
		if err := r.stop(ctx); err != nil {
			return Started{}, err
		}
	}
	words = append([]word{{verb: feed}, {verb: "record interval", x: interval}}, words...) // one without words says nothing
	err = r.act(ctx, words...)
	r.measuring = measuring{inputs: r.inputs} // whether these words changed what readings use is not known
	if err == nil {
		err = r.verifyRecording(ctx, words, &s)
	}
	if err != nil {
		return Started{}, err
	}
	s.At = r.in.clock.Now()
	if err := r.act(ctx, word{verb: "record start"}); err != nil {
		return Started{}, err
	}
	s.Within = r.in.clock.Since(s.At)
	rec := &recording{running: true, functions: slices.Clone(want.Functions), interval: time.Duration(s.IntervalSeconds * float64(time.Second)), seen: s.At}
	if rec.hold = want.LongestHold; rec.hold <= 0 {
		rec.hold, rec.learns = longestHold, true
	}
	if i := slices.Index(rec.functions, Amps); i >= 0 {
		rec.ranges = len(s.Ranges[i])
	}
	if old := r.recording; old != nil {
		rec.raw = old.raw
	}
	r.recording = rec
	return s, nil
}

// feed is the verb that chooses what is recorded.
func (r *Recorder) feed(functions []Function) (verb string, err error) {
	switch {
	case slices.Equal(functions, []Function{Amps, Volts}):
		if !r.spec.Records.Together {
			return "", fmt.Errorf("recording amps and volts together: %w (model %s)", ErrNoAbility, r.in.model.Name)
		}
		verb = "record both"
	case len(functions) == 1:
		verb = "record " + functions[0].String()
	default:
		return "", fmt.Errorf("what is recorded is amps, volts, or amps and volts in this order, not %v", functions)
	}
	if !r.canSay(verb) {
		return "", fmt.Errorf("recording %v alone: %w (model %s)", functions[0], ErrNoAbility, r.in.model.Name)
	}
	return verb, nil
}

// interval brings an interval to the model's grid.
func (r *Recorder) interval(seconds float64) (float64, error) {
	spec := r.spec.Records
	seconds = onGrid(seconds, spec.Grid)
	allowed := quantity.Span{Low: spec.Least.Seconds(), High: spec.Most.Seconds(), Dim: quantity.Time, Set: true}
	if !(seconds >= allowed.Low*(1-1e-12) && seconds <= allowed.High*(1+1e-12)) {
		return 0, &LimitError{Instrument: r.in.config.Name, Channel: r.number, What: "an interval between samples", Asked: quantity.Of(seconds, quantity.Time), Allowed: allowed}
	}
	return seconds, nil
}

// onGrid gives the whole multiple of a grid that is nearest; without a grid, what it was.
func onGrid(seconds float64, step time.Duration) float64 {
	grid := step.Seconds()
	if grid <= 0 {
		return seconds
	}
	ticks := math.Round(seconds / grid)
	if inverse := math.Round(1 / grid); math.Abs(inverse*grid-1) < 1e-12 {
		return ticks / inverse // 20 us is 20/1e6 exactly; 20*1e-6 is not
	}
	return ticks * grid
}

// recordRanges says which ranges samples can be of, and the words that choose them.
func (r *Recorder) recordRanges(want Recording, s *Started) (words []word, err error) {
	for _, f := range want.Functions {
		expect := want.MostAmps
		if f == Volts {
			expect = want.VoltsFull
		}
		if expect == 0 {
			expect = math.NaN()
		}
		top, err := r.rangeFor(Request{Function: f, Expect: expect})
		if err != nil {
			return nil, err
		}
		if math.Abs(expect) > top.Full*(1+top.Over) {
			return nil, fmt.Errorf("up to %s is expected, and the largest range is %s", quantity.Of(expect, f.Dim()), quantity.Of(top.Full, f.Dim()))
		}
		ranges := []model.Range{top}
		if f == Amps && r.spec.Records.Seamless {
			all := r.spec.Amps
			ranges = all[:1+slices.IndexFunc(all, func(x model.Range) bool { return x.Full == top.Full })]
			if r.canSay("record top") {
				words = append(words, word{verb: "record top", x: top.Full})
			} else {
				ranges = all
			}
		} else if verb := "range " + f.String(); r.canSay(verb) {
			words = append(words, word{verb: verb, x: top.Full})
		}
		names := make([]string, len(ranges))
		if l := r.in.config.Ledger; l != nil {
			for i, x := range ranges {
				names[i] = r.sharedInputs(l, f, x.Full, x.Accuracy.Coverage).prefix
			}
		}
		s.Ranges, s.Inputs = append(s.Ranges, ranges), append(s.Inputs, names)
	}
	return words, nil
}

// verifyRecording looks whether a recording will be what is wanted, as far as the instrument can say it.
func (r *Recorder) verifyRecording(ctx context.Context, words []word, s *Started) error {
	if r.canAsk("record interval") {
		used, err := r.setting(ctx, "record interval")
		if err != nil {
			return err
		}
		allowed := math.Max(r.spec.Records.Grid.Seconds()/2, 1e-6*s.IntervalSeconds)
		switch off := math.Abs(used - s.IntervalSeconds); {
		case !(off <= allowed):
			return fmt.Errorf("record interval: %w: %s was sent, %s is used", ErrNotTaken, quantity.Of(s.IntervalSeconds, quantity.Time), quantity.Of(used, quantity.Time))
		case off > 1e-9*s.IntervalSeconds: // less is the rounding of the answer
			s.IntervalSeconds = used
		}
	}
	for _, w := range words {
		if w.verb == "record top" {
			if err := r.verify(ctx, w.verb, w.x, quantity.Current, 0); err != nil {
				return err
			}
		}
	}
	if r.canAsk("record depth") {
		depth, err := r.setting(ctx, "record depth")
		if err != nil {
			return err
		}
		s.Depth = int64(depth)
	}
	return nil
}

// Stop stops the recording. What is in the buffer can still be fetched. A recording that has been stopped is left alone.
func (r *Recorder) Stop(ctx context.Context) error {
	if !r.records() {
		return nil
	}
	if err := r.act(ctx, word{verb: "record stop"}); err != nil {
		return r.wrap(err)
	}
	r.recording.running = false
	return nil
}

// Totals asks for the instrument's own count of the latest recording.
func (r *Recorder) Totals(ctx context.Context) (Totals, error) {
	t := Totals{Lost: -1, Coulombs: math.NaN(), Handovers: -1}
	if !r.canAsk("record totals") {
		return t, r.cannot("counting what it records")
	}
	a, err := r.ask(ctx, "record totals")
	if err != nil {
		return t, r.wrap(err)
	}
	for i, f := range a.query.Fields {
		got := a.fields[i]
		switch f.Name {
		case model.RecordTaken:
			t.Taken = got.whole
		case model.RecordLost:
			t.Lost = got.whole
		case model.RecordHandovers:
			t.Handovers = got.whole
		case model.RecordCoulombs:
			if t.Coulombs, err = got.number.Float(); err != nil {
				t.Coulombs = math.NaN()
			}
			continue
		default:
			continue
		}
		if got.whole < 0 {
			return t, r.wrap(r.in.device.Fault([]byte("record totals"), fmt.Errorf("it counts %d as %s", got.whole, f.Name)))
		}
	}
	return t, nil
}
