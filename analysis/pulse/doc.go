// Package pulse gives the figures that are read off a sampled signal: the states and transitions of pulses, the answer of a
// supply to a step of its load or its input, ripple, inrush current, start-up and hold-up time.
//
// The terms of pulses are those of IEEE Std 181-2011 (also IEC 60469:2013): a waveform rests in a low and a high state, found
// as the modes of the histogram of its samples; a transition leads from one to the other and is timed at reference levels,
// 10, 50 and 90 % of the way.
//
// Every figure has its expanded uncertainty (k = 2, about 95 %) from what the trace itself shows: the noise of the samples, as
// seen where the signal rests, the interval between samples, and the step of the digitiser. What the instrument adds (gain,
// offset, time base, its bandwidth) is known only to the caller, who adds it to the [measured.Value] that [Figure.Value]
// makes. Samples are never taken as they are where noise would decide: levels are means over the settled part of a state,
// instants and peaks come from polynomials fitted to the samples around them. Where the text says "own formula", there is no
// source beyond the reason given.
//
// A figure that does not exist (no transition, a transition cut off by the end of the trace) says why; no number is ever NaN.
package pulse
