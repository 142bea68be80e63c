package instrument

import "math"

// Stream cuts the current and the voltage of a channel into means over intervals of equal length, one behind the other without a gap:
// what an integrating converter sees that never pauses. Its signals go evenly from step to step of the engine; several steps in one
// interval and many intervals in one step are both exact.
type Stream struct {
	amps, volts func() float64
	interval    int64 // ns
	sink        Sink

	filled              int64 // ns of the present interval that are over
	lastAmps, lastVolts float64
	ampNs, voltNs       float64 // area of the present interval so far
}

// Sink takes means: count of them, the first as given, each further one more by a step.
type Sink interface {
	Take(count int64, amps, volts, ampsStep, voltsStep float64)
}

// NewStream returns a stream of two signals; interval is in ns.
func NewStream(amps, volts func() float64, interval int64, sink Sink) *Stream {
	return &Stream{amps: amps, volts: volts, interval: interval, sink: sink}
}

// Begin starts the first interval at the present values.
func (s *Stream) Begin() {
	s.filled, s.ampNs, s.voltNs, s.lastAmps, s.lastVolts = 0, 0, 0, 0, 0
	s.Jump()
}

// Jump takes the present values as the start of the next piece, after a step change that took no time.
func (s *Stream) Jump() { s.lastAmps, s.lastVolts = s.present() }

// present gives the signals; where the network has no operating point for a moment, their last values.
func (s *Stream) present() (amps, volts float64) {
	if amps = s.amps(); math.IsNaN(amps) {
		amps = s.lastAmps
	}
	if volts = s.volts(); math.IsNaN(volts) {
		volts = s.lastVolts
	}
	return amps, volts
}

// Advance adds a piece of some ns in which the signals went evenly to their present values.
func (s *Stream) Advance(span int64) {
	amps, volts := s.present()
	fromAmps, fromVolts := s.lastAmps, s.lastVolts
	s.lastAmps, s.lastVolts = amps, volts
	if room := s.interval - s.filled; span < room {
		s.filled += span
		s.ampNs += (fromAmps + amps) / 2 * float64(span)
		s.voltNs += (fromVolts + volts) / 2 * float64(span)
		return
	}
	perNs := 1 / float64(span)
	ampSlope, voltSlope := (amps-fromAmps)*perNs, (volts-fromVolts)*perNs // per ns
	done := int64(0)
	if s.filled > 0 { // end the interval that is under way
		done = s.interval - s.filled
		d := float64(done)
		inverse := 1 / float64(s.interval)
		s.sink.Take(1, (s.ampNs+(fromAmps+ampSlope*d/2)*d)*inverse, (s.voltNs+(fromVolts+voltSlope*d/2)*d)*inverse, 0, 0)
	}
	if count := (span - done) / s.interval; count > 0 {
		step := float64(s.interval)
		middle := float64(done) + step/2
		s.sink.Take(count, fromAmps+ampSlope*middle, fromVolts+voltSlope*middle, ampSlope*step, voltSlope*step)
		done += count * s.interval
	}
	s.filled = span - done
	d := float64(s.filled)
	s.ampNs = (amps - ampSlope*d/2) * d
	s.voltNs = (volts - voltSlope*d/2) * d
}
