package bench

import (
	"fmt"

	"fourwire/driver/model"
	"fourwire/internal/diag"
)

// CheckModels looks whether each instrument can do what the wiring asks of it. models has the model of each instrument, by the
// instrument's name; one that is missing is passed over.
func CheckModels(b *Bench, models map[string]*model.Model, found *diag.Findings) {
	found.Source(b.File, b.Source)
	checkLines(b, models, found)
	uses := map[string][]Use{}
	for _, w := range b.Wiring {
		m := models[w.Instrument]
		if m == nil {
			continue
		}
		if w.Channel > len(m.Channels) {
			found.Add(w.Place, "%s has no channel %d: %s has %s", w.Instrument, w.Channel, m.Name, channels(len(m.Channels)))
			continue
		}
		ch := &m.Channels[w.Channel-1]
		if lack := missing(ch, w); lack != "" {
			found.AddHint(w.Place, can(ch), "%s channel %d (model %s) %s", w.Instrument, w.Channel, m.Name, lack)
		}
		checkContact(w, models[w.Through.Instrument], found)
		key := fmt.Sprint(w.Instrument, " ", w.Channel)
		for _, other := range uses[key] {
			if !ch.Together && (other == Voltmeter && w.As == Ammeter || other == Ammeter && w.As == Voltmeter) {
				found.AddHint(w.Place, "take another meter for one of them", "%s channel %d measures either volts or amps at one time", w.Instrument, w.Channel)
			}
		}
		uses[key] = append(uses[key], w.As)
	}
}

// checkContact looks whether what joins a meter to its node is a relay.
func checkContact(w Wire, m *model.Model, found *diag.Findings) {
	switch {
	case m == nil:
	case w.Through.Channel > len(m.Channels):
		found.Add(w.Place, "%s has no channel %d: %s has %s", w.Through.Instrument, w.Through.Channel, m.Name, channels(len(m.Channels)))
	case m.Channels[w.Through.Channel-1].Relay == nil:
		found.AddHint(w.Place, can(&m.Channels[w.Through.Channel-1]), "%s channel %d (model %s) is no switch", w.Through.Instrument, w.Through.Channel, m.Name)
	}
}

// missing says what the wire asks and the channel lacks.
func missing(ch *model.Channel, w Wire) string {
	switch {
	case w.As == Source && ch.Source == nil:
		return "is no source"
	case w.As == Load && ch.Load == nil:
		return "is no load"
	case w.As == Voltmeter && len(ch.Volts) == 0:
		return "does not measure volts"
	case w.As == Switch && ch.Relay == nil:
		return "is no switch"
	case w.As == Ammeter && len(ch.Amps) == 0:
		return "does not measure amps"
	case w.As == Source && w.Sense == Remote && ch.Source.SenseVolts == 0,
		w.As == Load && w.Sense == Remote && ch.Load.SenseVolts == 0:
		return "has no remote sense"
	}
	return ""
}

// can says what a channel does.
func can(ch *model.Channel) string {
	var words []string
	if ch.Source != nil {
		words = append(words, "source")
	}
	if ch.Load != nil {
		words = append(words, "load")
	}
	if ch.Relay != nil {
		words = append(words, "switch")
	}
	if len(ch.Volts) > 0 {
		words = append(words, "voltmeter")
	}
	if len(ch.Amps) > 0 {
		words = append(words, "ammeter")
	}
	text := "it can be"
	for i, w := range words {
		if i > 0 {
			text += ","
		}
		text += " " + w
	}
	return text
}

func channels(n int) string {
	if n == 1 {
		return "one channel"
	}
	return fmt.Sprintf("%d channels", n)
}
