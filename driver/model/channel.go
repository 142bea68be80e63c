package model

import (
	"time"

	"fourwire/internal/diag"
	"fourwire/quantity"
)

// defaultAperture is one cycle of a 50 Hz mains; common practice.
const defaultAperture = 20 * time.Millisecond

// yearSeconds is the usual interval of calibration, and the column of a data sheet that accuracies are taken from; common practice.
const yearSeconds = 365 * 86400.0

func (r *reader) channel(n *diag.Node, common Dialect) Channel {
	ch := Channel{Place: n.Place, Dialect: common}
	if own := n.Get("dialect"); own != nil {
		ch.Dialect = merge(common, r.dialect(own))
	}
	if s := n.Get("source"); s != nil {
		ch.Source = r.source(s)
	}
	if l := n.Get("load"); l != nil {
		ch.Load = r.load(l)
	}
	if m := n.Get("measures"); m != nil {
		r.measures(m, &ch)
	}
	if rec := n.Get("records"); rec != nil {
		ch.Records = r.records(rec, &ch)
	}
	if t := n.Get("triggers"); t != nil {
		ch.Triggers = r.triggers(t)
	}
	if d := n.Get("digitises"); d != nil {
		ch.Digitises = r.digitises(d, &ch)
	}
	if l := n.Get("lists"); l != nil {
		ch.Lists = r.lists(l, &ch)
	}
	if s := n.Get("switch"); s != nil {
		ch.Relay = r.relay(s)
		if ch.Source != nil || ch.Load != nil {
			r.found.Add(s.Place, "a switch is a channel of its own, and no source or load")
		}
	}
	if ch.Source == nil && ch.Load == nil && ch.Relay == nil && n.Get("measures") == nil {
		r.found.Add(n.Place, "this channel does nothing; it needs source, load, measures or switch")
	}
	return ch
}

// merge gives the words of a channel that has some of its own.
func merge(common, own Dialect) Dialect {
	out := Dialect{Say: map[string][]Template{}, Ask: map[string]Query{}}
	for _, d := range []Dialect{common, own} {
		for k, v := range d.Say {
			out.Say[k] = v
		}
		for k, v := range d.Ask {
			out.Ask[k] = v
		}
	}
	return out
}

func (r *reader) coverage(n *diag.Node) Coverage {
	if text(n) == "2u" {
		return TwoSigma
	}
	return Limit
}

func (r *reader) setting(n *diag.Node) Setting {
	return Setting{Gain: r.amount(n.Get("gain")), Offset: r.amount(n.Get("offset")), Resolution: r.amount(n.Get("resolution")), Coverage: r.coverage(n.Get("coverage"))}
}

func (r *reader) source(n *diag.Node) *SourceSpec {
	s := &SourceSpec{
		Volts: r.span(n.Get("volts")), Amps: r.span(n.Get("amps")), MaxWatts: r.amount(n.Get("watts")),
		SetVolts: r.setting(n.Get("set_volts")), SetAmps: r.setting(n.Get("set_amps")),
		OverVolts: r.span(n.Get("over_volts")), OverAmps: r.span(n.Get("over_amps")), OverVoltsAt: text(n.Get("over_volts_at")),
		SenseVolts: r.amount(n.Get("sense_compensation")), SlewUp: r.amount(n.Get("slew_up")), SlewDown: r.amount(n.Get("slew_down")),
		OutputFarads: r.amount(n.Get("output_capacitance")), Quadrants: []int{1}, Derating: r.derating(n),
		Ohms: r.span(n.Get("output_resistance")), SetOhms: r.setting(n.Get("set_ohms")),
		ForcedAmps: r.span(n.Get("forces_amps")),
	}
	if q := n.Get("quadrants"); q != nil {
		s.Quadrants = nil
		for _, item := range q.Items {
			s.Quadrants = append(s.Quadrants, whole(item))
		}
	}
	if o := n.Get("output_resistance"); o != nil && s.Ohms.Low < 0 {
		r.found.Add(o.Place, "%q: an output resistance is not negative", o.Text)
	}
	if s.OverVoltsAt == "" {
		s.OverVoltsAt = "terminals"
	}
	if w := n.Get("watts"); w != nil && s.MaxWatts > s.Volts.High*s.Amps.High {
		r.found.Add(w.Place, "%q is more than the largest voltage times the largest current, %s", w.Text, quantity.Watt(s.Volts.High*s.Amps.High))
	}
	return s
}

func (r *reader) load(n *diag.Node) *LoadSpec {
	l := &LoadSpec{
		Volts: r.span(n.Get("volts")), Amps: r.span(n.Get("amps")), Ohms: r.span(n.Get("ohms")), Watts: r.span(n.Get("power")),
		MaxWatts: r.amount(n.Get("watts")), MinVolts: r.amount(n.Get("minimum_volts")), MinOhms: r.amount(n.Get("minimum_ohms")),
		SetAmps: r.setting(n.Get("set_amps")), SetVolts: r.setting(n.Get("set_volts")), SetOhms: r.setting(n.Get("set_ohms")), SetWatts: r.setting(n.Get("set_watts")),
		OverAmps: r.span(n.Get("over_amps")), OverVolts: r.span(n.Get("over_volts")),
		SenseVolts: r.amount(n.Get("sense_compensation")), Slew: r.amount(n.Get("slew")), Shorts: yes(n.Get("short")), Derating: r.derating(n),
	}
	if ranges := n.Get("amps_ranges"); ranges != nil {
		last := 0.0
		for _, item := range ranges.Items {
			full := r.amount(item)
			if full <= last {
				r.found.Add(item.Place, "%q: ranges are listed from the smallest up", item.Text)
			}
			l.AmpsRanges, last = append(l.AmpsRanges, full), full
		}
	}
	if w := n.Get("power"); w != nil && l.MaxWatts > 0 && l.Watts.High > l.MaxWatts {
		r.found.Add(w.Place, "%q: the largest level is above the most power, %s", w.Text, quantity.Watt(l.MaxWatts))
	}
	return l
}

func (r *reader) measures(n *diag.Node, ch *Channel) {
	band := quantity.Span{Low: 291.15, High: 301.15} // 23 degC, 5 K either way: common practice of data sheets
	if b := n.Get("calibration_band"); b != nil {
		band = r.span(b)
	}
	interval := yearSeconds
	if i := n.Get("calibration_interval"); i != nil {
		if interval = r.amount(i); interval <= 0 {
			r.found.Add(i.Place, "%q: a calibration holds for some time", i.Text)
		}
	}
	coverage := r.coverage(n.Get("coverage"))
	ch.Together = yes(n.Get("together"))
	ch.Volts = r.ranges(n.Get("volts"), band, interval, coverage)
	ch.Amps = r.ranges(n.Get("amps"), band, interval, coverage)
	if len(ch.Volts)+len(ch.Amps) == 0 {
		r.found.Add(n.Place, "a measuring side needs ranges of volts or of amps")
	}
	r.aperture(n.Get("aperture"), ch)
}

func (r *reader) ranges(n *diag.Node, band quantity.Span, intervalSeconds float64, coverage Coverage) []Range {
	if n == nil {
		return nil
	}
	var out []Range
	for _, item := range n.Items {
		full := r.amount(item.Get("full"))
		if full <= 0 {
			r.found.Add(item.Get("full").Place, "a range ends above zero")
		}
		if len(out) > 0 && full <= out[len(out)-1].Full {
			r.found.Add(item.Get("full").Place, "%q: ranges are listed from the smallest up", item.Get("full").Text)
		}
		a := Accuracy{Gain: r.amount(item.Get("gain")), Offset: r.partOf(item.Get("offset"), full), Noise: r.amount(item.Get("noise")),
			NoiseAperture: r.amount(item.Get("noise_at")), NoiseFloor: r.amount(item.Get("noise_floor")), Resolution: r.amount(item.Get("resolution")),
			GainPerKelvin: r.amount(item.Get("gain_per_kelvin")), OffsetPerKelvin: r.partOf(item.Get("offset_per_kelvin"), full),
			BandLow: band.Low, BandHigh: band.High, IntervalSeconds: intervalSeconds, Coverage: coverage}
		if noise := item.Get("noise"); noise != nil && a.NoiseAperture == 0 {
			r.found.AddHint(noise.Place, "add noise_at, as in noise_at: 20 ms", "noise depends on the aperture")
		}
		if a.Gain > 0.5 {
			r.found.AddHint(item.Get("gain").Place, "is a percent sign missing?", "%q of the reading is no accuracy", item.Get("gain").Text)
		}
		out = append(out, Range{Full: full, Over: r.amount(item.Get("over")), Accuracy: a, ResistanceOhm: r.amount(item.Get("resistance"))})
	}
	return out
}

// partOf reads a quantity, or a ratio of full scale.
func (r *reader) partOf(n *diag.Node, full float64) float64 {
	x := r.amount(n)
	if n == nil {
		return 0
	}
	if q, err := quantity.Parse(n.Text); err == nil && q.Dim == quantity.Ratio {
		if x > 0.5 {
			r.found.AddHint(n.Place, "is a unit or a percent sign missing?", "%q of full scale is no accuracy", n.Text)
		}
		return x * full
	}
	return x
}

func (r *reader) aperture(n *diag.Node, ch *Channel) {
	a := Aperture{Default: defaultAperture}
	if n == nil {
		a.Least, a.Most = defaultAperture, defaultAperture
		ch.Aperture = a
		return
	}
	a.Least, a.Most = r.duration(n.Get("from")), r.duration(n.Get("to"))
	choices := n.Get("choices")
	if choices != nil {
		for _, item := range choices.Items {
			d := r.duration(item)
			if len(a.Choices) > 0 && d <= a.Choices[len(a.Choices)-1] {
				r.found.Add(item.Place, "%q: apertures are listed from the shortest up", item.Text)
			}
			a.Choices = append(a.Choices, d)
		}
		if len(a.Choices) > 0 && n.Get("from") == nil && n.Get("to") == nil {
			a.Least, a.Most = a.Choices[0], a.Choices[len(a.Choices)-1]
		}
	}
	if d := n.Get("default"); d != nil {
		a.Default = r.duration(d)
	}
	switch {
	case a.Least <= 0 || a.Most < a.Least:
		r.found.AddHint(n.Place, "write as in {from: 1 ms, to: 1 s}, or list choices", "an aperture needs its shortest and its longest time, in order")
	case a.Default < a.Least || a.Default > a.Most:
		where := n.Place
		if d := n.Get("default"); d != nil {
			where = d.Place
		}
		r.found.Add(where, "the default aperture, %v, is not between %v and %v", a.Default, a.Least, a.Most)
	}
	ch.Aperture = a
}
