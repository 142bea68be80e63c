package driver

import (
	"slices"
	"strings"
)

// standing is what the last capture and the last list of a channel have set, so that the next one says what differs and no more. What else is said of
// measuring, of captures or of records drops it, for all channels: they may share a setting.
type standing struct {
	capture []word
	armed   Armed   // as it was verified
	begins  []word  // what a list waits for
	depth   float64 // most steps of a list, as the instrument says; 0: it has not been asked
}

// unsettles tells whether a verb may change what a capture has set.
func unsettles(verb string) bool {
	for _, start := range []string{"range ", "aperture ", "function ", "capture ", "record ", "wait for ", "slope ", "hysteresis ", "reset", "abort"} {
		if strings.HasPrefix(verb, start) {
			return true
		}
	}
	return false
}

// unsettle drops what stands, where words may change it.
func (in *Instrument) unsettle(words []word) {
	if !slices.ContainsFunc(words, func(w word) bool { return unsettles(w.verb) }) {
		return
	}
	for i := range in.channels {
		in.channels[i].stands.capture = nil
	}
}

// differing are the words of a capture that do not stand already.
func differing(words, stand []word) []word {
	return slices.DeleteFunc(slices.Clone(words), func(w word) bool { return slices.ContainsFunc(stand, w.same) })
}

func (w word) same(other word) bool {
	return w.verb == other.verb && w.x == other.x && slices.Equal(w.values, other.values)
}

// timed tells whether words say something of when samples are taken, which is then asked back.
func timed(words []word) bool {
	return slices.ContainsFunc(words, func(w word) bool {
		return w.verb == "capture interval" || w.verb == "capture points" || w.verb == "capture before"
	})
}
