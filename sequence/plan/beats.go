package plan

import (
	"math"
	"slices"

	"fourwire/driver/model"
	"fourwire/sequence"
)

// unbeaten leaves out what an earlier one beats.
func unbeaten(list []placement, beats func(a, b placement) bool) []placement {
	var kept []placement
	for _, p := range list {
		if !slices.ContainsFunc(kept, func(a placement) bool { return beats(a, p) }) {
			kept = append(kept, p)
		}
	}
	return kept
}

// beats tells whether a meter is at least as good as another in every part of its uncertainty at every planned reading, in
// time, in burden and input resistance, and in what one piece of it can do besides.
func (s *searcher) beats(w wanted, a, b placement) bool {
	return len(b.model.Channels) == 1 && !b.model.Channels[b.channel].Together && quicker(a.model.Timing, b.model.Timing) && s.noWorse(w, a, b)
}

// serves tells the same of a source or load with its own read-back.
func (s *searcher) serves(n sequence.Need, a, b placement) bool {
	ca, cb := &a.model.Channels[a.channel], &b.model.Channels[b.channel]
	if len(a.model.Channels) < len(b.model.Channels) || a.verdict.rank() < b.verdict.rank() || senses(ca) != senses(cb) || cb.Together && !ca.Together ||
		!quicker(a.model.Timing, b.model.Timing) || !swifter(ca, cb) {
		return false
	}
	for _, w := range s.bind.wanted() {
		if _, ok := s.gauge(w, b); w.node == n.Node && ok && !s.noWorse(w, a, b) {
			return false
		}
	}
	return true
}

// noWorse compares every part of the uncertainty at every planned reading, and what the meter does to the circuit.
func (s *searcher) noWorse(w wanted, a, b placement) bool {
	ga, able := s.gauge(w, a)
	gb, _ := s.gauge(w, b)
	if !able {
		return false
	}
	for _, x := range w.readings(gb) {
		ra, rb := pick(ga, x), pick(gb, x)
		if w.function == sequence.Amps && ra.ResistanceOhm > rb.ResistanceOhm || w.function == sequence.Volts && ra.ResistanceOhm < rb.ResistanceOhm {
			return false
		}
		ca := ra.Contributions(x, DefaultAperture.Seconds(), s.like.AmbientKelvin)
		cb := rb.Contributions(x, DefaultAperture.Seconds(), s.like.AmbientKelvin)
		if math.Abs(ca.Gain) > math.Abs(cb.Gain) || ca.Offset > cb.Offset || ca.Noise > cb.Noise || ca.Quantisation > cb.Quantisation ||
			math.Abs(ca.TemperatureGain) > math.Abs(cb.TemperatureGain) || ca.TemperatureOffset > cb.TemperatureOffset {
			return false
		}
	}
	return true
}

func quicker(a, b model.Timing) bool {
	return a.Processing <= b.Processing && a.Reading <= b.Reading && a.RangeChange <= b.RangeChange && a.OutputUp <= b.OutputUp && a.OutputDown <= b.OutputDown && a.ModeChange <= b.ModeChange
}

// swifter compares how fast a source moves; a slew that is not stated is not known to be faster.
func swifter(a, b *model.Channel) bool {
	if a.Source == nil || b.Source == nil {
		return true
	}
	return a.Source.SlewUp >= b.Source.SlewUp && a.Source.SlewDown >= b.Source.SlewDown
}
