package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/internal/ledger"
	"fourwire/quantity"
	"fourwire/sequence"
)

// Capture is a capture step with the channels that sample, and how the event comes to each of them.
type Capture struct {
	Step  *sequence.Capture
	Parts []CapturePart // one for each channel
	// Sees is the part that sees a level, or that the computer triggers; the others hear of it on Line. -1: the event comes from
	// the role of the trigger.
	Sees int
	// From is the instrument that passes the event on over Line, Pulse when it does so: a word of a *driver.Instrument's TriggerOut.
	// Line 0: nobody has to.
	From  string
	Line  int
	Pulse string
	// Apart says that no line joins the instruments: the computer triggers one after the other, and what lies between is only
	// known while it happens.
	Apart       bool
	SkewSeconds float64 // between the time axes of two instruments, at most, as their models and the interval say
	How         string  // in words
}

// CapturePart is one channel of a capture.
type CapturePart struct {
	Channel   Channel
	Signals   []int  // of the step
	On        string // what the channel waits for: a word of model.TriggerWords
	VoltsFull float64
	AmpsFull  float64
	// LeadOhm is the resistance of both conductors between the node and where its volts are read; 0 where that is at the node.
	LeadOhm       float64
	LeadTolerance float64 // a ratio
	InLine        []Meter // ammeters between the node and there
	Own           bool    // a source or load
	Spec          *model.Digitises
}

// Capture finds what the plan knows of a capture step; nil where it is none of this plan.
func (p *Plan) Capture(s *sequence.Capture) *Capture {
	for i := range p.Captures {
		if p.Captures[i].Step == s {
			return &p.Captures[i]
		}
	}
	return nil
}

// captures binds the capture steps. Roles are bound before.
func (c *binder) captures() {
	c.plan.Captures = nil
	for i := range c.plan.Roles {
		if c.plan.Roles[i].Channel == (Channel{}) {
			return // that has been said
		}
	}
	eachStep(c.plan.Sequence.Steps, func(s sequence.Step) {
		step, ok := s.(*sequence.Capture)
		if !ok || len(step.Signals) == 0 || step.Every.SI <= 0 || step.For.SI <= 0 {
			return
		}
		if one, ok := c.capture(step); ok {
			c.plan.Captures = append(c.plan.Captures, one)
			c.captureNotes(&one)
		}
	})
	c.lists()
}

// sampler is a channel that could sample one signal.
type sampler struct {
	wire bench.Wire
	ch   Channel
	spec *model.Digitises
	role int // that a source or load serves; -1: a meter
}

// capture tries every choice of channels and takes the best.
func (c *binder) capture(step *sequence.Capture) (best Capture, found bool) {
	able := make([][]sampler, len(step.Signals))
	for i, s := range step.Signals {
		var why []string
		if able[i], why = c.samplers(step, s); len(able[i]) == 0 {
			c.found.AddHint(s.Place, "a longer interval, or another instrument at this node", "nothing on this bench samples %s once every %s: %s", s.Measurement(), step.Every, strings.Join(why, "; "))
			return best, false
		}
	}
	var bestCost [4]float64
	var refused []string
	choice := make([]sampler, len(able))
	tried := 0
	var walk func(int)
	walk = func(i int) {
		if tried > mostChoices {
			return
		}
		if i == len(able) {
			tried++
			one, why := c.arrange(step, choice)
			if why != "" {
				if !slices.Contains(refused, why) {
					refused = append(refused, why)
				}
				return
			}
			if cost := c.captureCost(&one); !found || slices.Compare(cost[:], bestCost[:]) < 0 {
				best, bestCost, found = one, cost, true
			}
			return
		}
		for _, s := range able[i] {
			choice[i] = s
			walk(i + 1)
		}
	}
	walk(0)
	if !found {
		c.found.AddHint(step.At(), "another trigger, or other instruments", "no choice of instruments on this bench captures %s when %s: %s", step.Trace, step.Trigger.Text, strings.Join(refused[:min(3, len(refused))], "; "))
	}
	return best, found
}

// mostChoices bounds how many ways to capture the signals are looked at.
const mostChoices = 5000

// samplers lists the channels that can sample a signal at the interval of a step, and why others cannot.
func (c *binder) samplers(step *sequence.Capture, s sequence.Signal) (able []sampler, unable []string) {
	all, before := step.Points()
	for _, w := range c.plan.Bench.Wiring {
		if w.Node != s.Node {
			continue
		}
		one := sampler{wire: w, ch: Channel{w.Instrument, w.Channel}, role: -1}
		spec := c.channel(one.ch)
		if spec == nil {
			continue
		}
		ranges := spec.Volts
		if s.Function == sequence.Amps {
			ranges = spec.Amps
		}
		if w.Through != (bench.Contact{}) {
			unable = append(unable, one.ch.String()+" gets there through a relay")
			continue
		}
		switch {
		case w.As == bench.Voltmeter && s.Function == sequence.Volts, w.As == bench.Ammeter && s.Function == sequence.Amps:
		case w.As == bench.Source || w.As == bench.Load:
			if one.role = c.plan.roleOf(one.ch); one.role < 0 {
				unable = append(unable, one.ch.String()+" serves no role here")
				continue
			}
		default:
			continue
		}
		if one.spec = spec.Digitises; one.spec == nil || one.spec.Points == 0 || len(ranges) == 0 {
			unable = append(unable, fmt.Sprintf("%s does not sample %s", one.ch, s.Function.Dim().Name()))
			continue
		}
		if why := cannotSample(one.spec, step, all, before); why != "" {
			unable = append(unable, one.ch.String()+" "+why)
			continue
		}
		able = append(able, one)
	}
	if len(able)+len(unable) == 0 {
		unable = append(unable, "nothing is wired there")
	}
	return able, unable
}

func cannotSample(d *model.Digitises, step *sequence.Capture, all, before int) string {
	every := interval(step.Every.SI)
	switch {
	case every < d.Least:
		return fmt.Sprintf("samples once every %s at the fastest", second(d.Least))
	case d.Most > 0 && every > d.Most:
		return fmt.Sprintf("samples once every %s at the slowest", second(d.Most))
	case d.Grid > 0 && every%d.Grid != 0:
		return fmt.Sprintf("takes intervals in whole multiples of %s", second(d.Grid))
	case all > d.Points:
		return fmt.Sprintf("holds %d samples, and %s are %d", d.Points, step.For, all)
	case before > 0 && !d.Before:
		return "keeps nothing from before the event"
	}
	return ""
}

// arrange sees how the event of a step would come to a choice of channels. why says why it cannot.
func (c *binder) arrange(step *sequence.Capture, choice []sampler) (one Capture, why string) {
	one = Capture{Step: step, Sees: -1}
	for i, s := range choice {
		at := slices.IndexFunc(one.Parts, func(p CapturePart) bool { return p.Channel == s.ch })
		if at < 0 {
			part := CapturePart{Channel: s.ch, Spec: s.spec, VoltsFull: math.NaN(), AmpsFull: math.NaN(), Own: s.role >= 0}
			if part.Own && s.wire.Sense != bench.Remote {
				part.LeadOhm, part.LeadTolerance, part.InLine = 2*s.wire.LeadOhm, s.wire.LeadTolerance, c.meters(s.wire.Node, bench.Ammeter)
				if part.LeadTolerance == 0 {
					part.LeadTolerance = DefaultLeadTolerance
				}
			}
			at, one.Parts = len(one.Parts), append(one.Parts, part)
		}
		p := &one.Parts[at]
		if len(p.Signals) > 0 && !c.channel(s.ch).Together {
			return one, fmt.Sprintf("%s does not sample volts and amps together", s.ch)
		}
		p.Signals = append(p.Signals, i)
		signal := step.Signals[i]
		full := widest(c.plan.span(signal.Function, signal.Node))
		if q, ok := step.Ranges[signal.Name]; ok {
			full = q.SI
		}
		if signal.Function == sequence.Volts {
			p.VoltsFull = math.Abs(full)
		} else {
			p.AmpsFull = math.Abs(full)
		}
	}
	for i := range one.Parts {
		for k := range i {
			if one.Parts[i].Channel.Instrument == one.Parts[k].Channel.Instrument {
				return one, fmt.Sprintf("%s takes one capture at a time", one.Parts[i].Channel.Instrument)
			}
		}
	}
	return one, c.event(&one, choice)
}

// captureCost is what speaks against a choice of channels, the gravest first: instruments that no line joins, instruments, leads whose drop cannot
// be worked out, and a narrow bandwidth.
func (c *binder) captureCost(one *Capture) (cost [4]float64) {
	if one.Apart {
		cost[0] = 1
	}
	cost[1] = float64(len(one.Parts))
	for i := range one.Parts {
		p := &one.Parts[i]
		if p.LeadOhm > 0 && one.reads(p, sequence.Volts) >= 0 && one.reads(p, sequence.Amps) < 0 {
			cost[2]++
		}
		cost[3] -= math.Log(max(p.Spec.BandwidthHertz, 1))
	}
	return cost
}

// reads is which of a part's signals is of a function; -1: none.
func (one *Capture) reads(p *CapturePart, f sequence.Function) int {
	for _, k := range p.Signals {
		if one.Step.Signals[k].Function == f {
			return k
		}
	}
	return -1
}

// Reads is which of the step's signals of a function a part samples; -1: none.
func (one *Capture) Reads(part int, f sequence.Function) int {
	return one.reads(&one.Parts[part], f)
}

// captureNotes says what a reader of the plan must know of a capture.
func (c *binder) captureNotes(one *Capture) {
	all, before := one.Step.Points()
	var parts []string
	for i := range one.Parts {
		p := &one.Parts[i]
		var names []string
		for _, k := range p.Signals {
			names = append(names, one.Step.Signals[k].Name)
		}
		text := fmt.Sprintf("%s by %s", strings.Join(names, ", "), p.Channel)
		if p.Spec.BandwidthHertz > 0 {
			text += ", bandwidth " + quantity.Of(p.Spec.BandwidthHertz, quantity.Frequency).String()
		}
		parts = append(parts, text)
	}
	text := fmt.Sprintf("%s: %d samples, %d of them before the event: %s; %s", one.Step.Trace, all, before, strings.Join(parts, "; "), one.How)
	if one.SkewSeconds > 0 {
		text += fmt.Sprintf("; up to %s between their time axes", quantity.Second(one.SkewSeconds))
	}
	c.plan.Fit.Notes = append(c.plan.Fit.Notes, text)
	for i := range one.Parts {
		p := &one.Parts[i]
		k := one.reads(p, sequence.Volts)
		if k < 0 || p.LeadOhm == 0 || one.reads(p, sequence.Amps) >= 0 {
			continue
		}
		s := one.Step.Signals[k]
		c.found.Warn(s.Place, "capture its current, too, or sense at the node", "%s is captured by %s at its own terminals: what its leads, %s, drop is in it", s.Measurement(), p.Channel, quantity.Ohm(p.LeadOhm))
	}
	if one.Apart && one.Step.Trigger.On == sequence.OnLevel {
		c.found.Warn(one.Step.At(), "join them with a trigger line in the bench file", "%s: %s; %q is not waited for", one.Step.Trace, one.How, one.Step.Trigger.Text)
	}
}

// capture walks a capture.
func (w *walker) capture(s *sequence.Capture, times int) {
	if w.hooks.capture != nil {
		w.hooks.capture(w, s, times)
	}
	w.steps(s.Steps, times)
}

// How many messages a capture costs each instrument: what is wanted, what is used, its state some times, and the samples.
const captureMessages = 12

// capture counts the time of a capture: what follows the event, and the transfer.
func (s *stopwatch) capture(_ *walker, step *sequence.Capture, times int) {
	s.add(ledger.Aperture, times, seconds(step.For.SI))
	if one := s.plan.Capture(step); one != nil {
		for _, p := range one.Parts {
			s.add(ledger.Processing, times, captureMessages*s.timing(p.Channel).Processing)
		}
	}
	s.passing(seconds(step.For.SI))
}

// CaptureWithin is how long a capture may take in all.
func CaptureWithin(s *sequence.Capture) time.Duration {
	return seconds(s.AtMost.SI) + seconds(s.For.SI)
}

// capturedNodes visits the nodes of captures.
func (c *binder) capturedNodes(visit func(node string, at diag.Place)) {
	eachStep(c.plan.Sequence.Steps, func(s sequence.Step) {
		if one, ok := s.(*sequence.Capture); ok {
			for _, signal := range one.Signals {
				visit(signal.Node, one.At())
			}
		}
	})
}
