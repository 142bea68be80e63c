// Package driver turns what a sequence wants of a source, a load or a meter into the words of one instrument, and what the
// instrument answers into measured values and states.
//
// [Open] checks who answers before anything is set. An [Instrument] belongs to one goroutine; its [Source], [Load],
// [Meter], [Recorder], [Digitiser] and [List] are views of its channels. Setpoints are checked against the model's envelope before they are sent; a refusal in the
// instrument's error queue is the error of the call that caused it. Readings are split into Begin and End, so that several
// instruments measure at the same time. A [Recorder] takes samples without a pause into the instrument's buffer, from where they are fetched
// in blocks. A [Digitiser] takes samples, or readings, around triggers, and a [List] has a source or load run through levels by itself: it goes on without
// this side, and so must end in a safe step. [Together] speaks to several instruments without one waiting for another.
//
// Nothing here sleeps without a reason that the model states, and time comes from the clock that is handed in.
package driver
