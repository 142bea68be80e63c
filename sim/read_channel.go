package sim

import (
	"math"
	"strconv"
	"strings"
	"time"

	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sim/instrument"
)

// channel reads one channel of an instrument; what the file leaves out has the usual figures.
func (r *reader) channel(n *diag.Node, kind instrument.Kind, ambientC float64) Channel {
	c := defaultChannel(kind)
	if kind == instrument.Switch {
		fill(n, relayNumbers(), &c)
		if err := c.Relay.Check(); err != nil {
			r.found.Add(n.Place, "%s", err)
		}
		return c
	}
	c.CalibratedC = ambientC
	fill(n, channelNumbers(), &c)
	switch kind {
	case instrument.Source, instrument.Unit:
		r.output(n, &c)
	case instrument.Load:
		r.input(n, &c)
	}
	for _, s := range []struct {
		name string
		dim  quantity.Dimension
		into *Deviation
	}{{"volts", quantity.Voltage, &c.SetVolts}, {"amps", quantity.Current, &c.SetAmps}, {"ohms", quantity.Resistance, &c.SetOhms}, {"watts", quantity.Power, &c.SetWatts}} {
		if v := n.Get("settings").Get(s.name); v != nil {
			*s.into = Deviation{}
			fill(v, deviationNumbers(s.dim), s.into)
			r.deviation(v, *s.into)
		}
	}
	for _, m := range []struct {
		name string
		dim  quantity.Dimension
		into *[]Range
	}{{"read_volts", quantity.Voltage, &c.Volts}, {"read_amps", quantity.Current, &c.Amps}} {
		if v := n.Get(m.name); v != nil {
			*m.into = r.ranges(v, m.dim)
		}
	}
	if v := n.Get("record_depth"); v != nil {
		c.Depth, _ = strconv.Atoi(strings.TrimSpace(v.Text))
	}
	if v := n.Get("series_resistance"); v != nil {
		q, _ := quantity.Parse(v.Text)
		if c.Output.MaxSeriesOhm = q.SI; q.SI < 0 {
			r.found.Add(v.Place, "series_resistance must be 0 or more")
		}
	}
	r.fast(n, &c)
	if c.Settle < 0 || c.Switch < 0 {
		r.found.Add(n.Place, "a time below 0 s cannot be")
	}
	return c
}

// fast reads what a channel can do by itself: samples around triggers, and lists.
func (r *reader) fast(n *diag.Node, c *Channel) {
	if v := n.Get("digitiser"); v != nil {
		fill(v, digitiserNumbers(), c)
		d := &c.Digitiser
		for key, into := range map[string]*int{"points": &d.Points, "readings": &d.Readings, "bits": &d.Bits} {
			if w := v.Get(key); w != nil {
				*into, _ = strconv.Atoi(strings.TrimSpace(w.Text))
			}
		}
		if d.Least < time.Microsecond || d.Least > time.Second || d.Least%time.Microsecond != 0 {
			r.found.Add(r.place(v, "interval"), "the shortest interval is 1 us to 1 s, in whole microseconds")
		}
		if !(d.BandwidthHertz >= 0) {
			r.found.Add(r.place(v, "bandwidth"), "a bandwidth is 0 Hz, which is no filter, or more")
		}
		if d.Skew < 0 || d.Skew > d.Least {
			r.found.Add(r.place(v, "skew"), "the skew is between 0 s and the shortest interval")
		}
	}
	if v := n.Get("lists"); v != nil {
		fill(v, listNumbers(), c)
		if w := v.Get("steps"); w != nil {
			c.List.Steps, _ = strconv.Atoi(strings.TrimSpace(w.Text))
		}
		if c.List.LeastDwell < 10*time.Microsecond || c.List.LeastDwell > time.Hour {
			r.found.Add(r.place(v, "dwell"), "the shortest step takes 10 us to 1 h")
		}
	}
}

func (r *reader) output(n *diag.Node, c *Channel) {
	before := c.Output
	fill(n, outputNumbers(), c)
	o := &c.Output
	if n.Get("watts") == nil && (o.MaxVolts != before.MaxVolts || o.MaxAmps != before.MaxAmps) {
		o.MaxWatts = 0
	}
	if o.MaxOverVolts == 0 {
		o.MaxOverVolts = o.MaxVolts * 1.1
	}
	if o.MaxOverAmps == 0 {
		o.MaxOverAmps = o.MaxAmps * 1.1
	}
	if n.Get("slew") != nil && n.Get("slew_down") == nil {
		o.SlewDown = o.SlewUp
	}
	for _, g := range []*Range{&c.Volts[len(c.Volts)-1], &c.Amps[len(c.Amps)-1]} {
		if g.Full == 0 && g == &c.Volts[len(c.Volts)-1] {
			g.Full = o.MaxVolts * 1.05
		} else if g.Full == 0 {
			g.Full = o.MaxAmps * 1.05
		}
	}
	if v := n.Get("rise_time"); v != nil && n.Get("slew") != nil {
		r.found.Add(v.Place, "a rise time stands in place of a slew; state one of them")
	}
	r.positive(n, "volts", o.MaxVolts)
	r.positive(n, "amps", o.MaxAmps)
	r.positive(n, "output_resistance", o.RcvOhm)
	r.positive(n, "current_resistance", o.RccOhm)
	r.positive(n, "sense_input", o.SenseInputOhm)
	r.positive(n, "sense_protection", o.ProtectOhm)
	r.notNegative(n, map[string]float64{
		"watts": o.MaxWatts, "volts_step": o.VoltsStep, "amps_step": o.AmpsStep, "sink": o.SinkAmps, "bleeder": o.BleedOhm,
		"capacitor": o.Farad, "rise_time": o.Rise.Seconds(), "response_time": o.Response.Seconds(), "slew": o.SlewUp, "slew_down": o.SlewDown, "over_voltage": o.MaxOverVolts, "over_current": o.MaxOverAmps,
		"compensation": o.CompensationVolts, "over_voltage_delay": o.OverVoltsDelay.Seconds(), "over_current_delay": o.OverAmpsDelay.Seconds(),
	})
	if o.RcvOhm < 0.99e-5 && o.RcvOhm > 0 {
		r.found.Add(n.Place, "an output resistance of %g ohm is too small to be solved; give at least 10 uohm", o.RcvOhm)
	}
}

func (r *reader) input(n *diag.Node, c *Channel) {
	before := c.Input
	fill(n, inputNumbers(), c)
	l := &c.Input
	if v := n.Get("ranges"); v != nil {
		l.AmpsRanges = nil
		for _, item := range v.Items {
			q, _ := quantity.Parse(item.Text)
			if last := len(l.AmpsRanges) - 1; q.SI <= 0 || last >= 0 && q.SI <= l.AmpsRanges[last] {
				r.found.Add(item.Place, "level ranges are above 0 A and ascend")
			}
			l.AmpsRanges = append(l.AmpsRanges, q.SI)
		}
	} else if l.MaxAmps != before.MaxAmps {
		l.AmpsRanges = []float64{l.MaxAmps}
	}
	if len(l.AmpsRanges) == 0 {
		r.found.Add(n.Place, "a load needs a level range")
		l.AmpsRanges = []float64{1}
	}
	if l.OverVolts == 0 {
		l.OverVolts = l.MaxVolts * 1.05
	}
	if l.OverWatts == 0 {
		l.OverWatts = l.MaxWatts * 1.05
	}
	if l.MaxOverAmps == 0 {
		l.MaxOverAmps = l.MaxAmps * 1.1
	}
	r.positive(n, "volts", l.MaxVolts)
	r.positive(n, "amps", l.MaxAmps)
	r.positive(n, "watts", l.MaxWatts)
	r.positive(n, "min_resistance", l.MinOhm)
	r.positive(n, "low_ohms", l.LowOhms)
	r.notNegative(n, map[string]float64{
		"min_volts": l.MinVolts, "response_time": l.Response.Seconds(), "slew": l.Slew, "input_resistance": l.LeakOhm, "over_voltage": l.OverVolts, "over_power": l.OverWatts,
		"over_current": l.MaxOverAmps, "over_current_delay": l.OverAmpsDelay.Seconds(),
	})
	if l.HighOhms < l.LowOhms {
		r.found.Add(n.Place, "high_ohms is below low_ohms")
	}
	if l.MinOhm > 0 && l.MinOhm < 1e-4 {
		r.found.Add(n.Place, "a minimum resistance of %g ohm is too small to be solved; give at least 0.1 mohm", l.MinOhm)
	}
}

func (r *reader) place(n *diag.Node, key string) diag.Place {
	if v := n.Get(key); v != nil {
		return v.Place
	}
	return n.Place
}

func (r *reader) positive(n *diag.Node, key string, v float64) {
	if !(v > 0) || math.IsInf(v, 0) {
		r.found.Add(r.place(n, key), "%s must be above 0", key)
	}
}

func (r *reader) notNegative(n *diag.Node, values map[string]float64) {
	for _, e := range n.Entries { // only what the file states can be wrong
		if v, ok := values[e.Key]; ok && !(v >= 0) {
			r.found.Add(e.Value.Place, "%s must be 0 or more", e.Key)
		}
	}
}

// deviation refuses limits that are negative and errors that turn a value round.
func (r *reader) deviation(n *diag.Node, d Deviation) {
	if d.GainWithin < 0 || d.OffsetWithin < 0 {
		r.found.Add(n.Place, "a limit of errors is 0 or more")
	}
	if math.Abs(d.Gain)+d.GainWithin > 0.5 {
		r.found.Add(n.Place, "a relative error of more than 50 %% is a fault, not an error")
	}
}

func (r *reader) ranges(n *diag.Node, dim quantity.Dimension) []Range {
	var out []Range
	for _, item := range n.Items {
		var g Range
		fill(item, rangeNumbers(dim), &g)
		for key, into := range map[string]*float64{"gain_per_kelvin": &g.GainPerKelvin, "offset_per_kelvin": &g.OffsetPerKelvin} {
			if v := item.Get(key); v != nil {
				q, _ := quantity.Parse(v.Text)
				*into = q.SI
			}
		}
		r.deviation(item, g.Deviation)
		switch {
		case g.Full <= 0:
			r.found.Add(r.place(item, "full"), "the end of a range is above 0")
		case len(out) > 0 && g.Full <= out[len(out)-1].Full:
			r.found.Add(r.place(item, "full"), "ranges ascend: %s comes after a larger one", item.Get("full").Text)
		}
		if g.Beyond != 0 && (g.Beyond < 1 || g.Beyond > 10) {
			r.found.Add(r.place(item, "beyond"), "a range can be read to its end at least: 100 %% or a little more")
		}
		if g.Noise < 0 || g.NoiseAt < 0 || g.Floor < 0 || g.Resolution < 0 || g.Ohm < 0 {
			r.found.Add(item.Place, "noise, resolution and resistance are 0 or more")
		}
		out = append(out, g)
	}
	if len(out) == 0 {
		r.found.Add(n.Place, "at least one measuring range is needed")
		out = []Range{{Full: 1}}
	}
	return out
}

// wire reads one entry of the wiring.
func (r *reader) wire(n *diag.Node, s *Scenario) Wire {
	w := Wire{Place: n.Place, Channel: 1, Against: Ground, SenseOhm: 0.1}
	name := n.Get("channel")
	in := r.channelOf(name, s, &w)
	w.Node = r.node(n.Get("node"))
	if v := n.Get("against"); v != nil {
		w.Against = r.node(v)
	}
	for key, into := range map[string]*float64{"lead": &w.LeadOhm, "sense_lead": &w.SenseOhm} {
		if v := n.Get(key); v != nil {
			q, _ := quantity.Parse(v.Text)
			if *into = q.SI; q.SI < 0 {
				r.found.Add(v.Place, "a lead has a resistance of 0 ohm or more")
			}
		}
	}
	if v := n.Get("sense"); v != nil && v.Text == "remote" {
		w.SenseAt = w.Node
	}
	if v := n.Get("sense_at"); v != nil {
		if w.SenseAt == "" {
			r.found.Add(v.Place, "sense_at needs sense: remote")
		}
		w.SenseAt = r.node(v)
	}
	if in == nil {
		return w
	}
	as := map[instrument.Kind]string{instrument.Source: "source", instrument.Load: "load", instrument.Unit: "source", instrument.Meter: "voltmeter", instrument.Switch: "switch"}[in.Kind]
	if v := n.Get("as"); v != nil {
		meter := in.Kind == instrument.Meter
		if v.Text != as && !(meter && v.Text == "ammeter") {
			r.found.Add(v.Place, "%s is a %s and cannot serve as %s", in.Name, in.Kind, v.Text)
		}
		as = v.Text
	}
	w.Ammeter = as == "ammeter"
	if v := n.Get("counts"); v != nil {
		if !w.Ammeter {
			r.found.Add(v.Place, "counts is for an ammeter")
		}
		w.Outward = v.Text == "out"
	} else if w.Ammeter {
		w.Outward = drained(w.Node, s)
	}
	if w.Ammeter && w.Against != Ground {
		r.found.Add(n.Place, "an ammeter sits in the line to its node and has no other terminal")
	}
	if w.Node == w.Against {
		r.found.Add(n.Place, "both terminals are at %s", w.Node)
	}
	return w
}

// channelOf finds the channel that a text such as feed-psu.1 names.
func (r *reader) channelOf(n *diag.Node, s *Scenario, w *Wire) *Instrument {
	w.Instrument = n.Text
	if at := strings.LastIndexByte(n.Text, '.'); at > 0 {
		if number, err := strconv.Atoi(n.Text[at+1:]); err == nil {
			w.Instrument, w.Channel = n.Text[:at], number
		}
	}
	names := make([]string, len(s.Instruments))
	for i := range s.Instruments {
		in := &s.Instruments[i]
		if names[i] = in.Name; in.Name != w.Instrument {
			continue
		}
		if w.Channel < 1 || w.Channel > len(in.Channels) {
			r.found.Add(n.Place, "%s has %d channels, there is no channel %d", in.Name, len(in.Channels), w.Channel)
			return nil
		}
		for _, o := range s.Wiring {
			if o.Instrument == w.Instrument && o.Channel == w.Channel {
				r.found.Add(n.Place, "%s is wired twice, the first time in line %d", n.Text, o.Place.Line)
				return nil
			}
		}
		return in
	}
	r.found.AddHint(n.Place, diag.Suggest(w.Instrument, names), "there is no instrument %q", w.Instrument)
	return nil
}

// drained tells whether a node is the output of a device: an ammeter there counts what comes out.
func drained(node string, s *Scenario) bool {
	drained := false
	for i := range s.Devices {
		switch d := &s.Devices[i]; node {
		case d.Out:
			drained = true
		case d.In:
			return false
		}
	}
	return drained
}

// unwired warns of instruments that nothing is joined to, and refuses devices that no wire reaches.
func (r *reader) unwired(s *Scenario) {
	for i := range s.Instruments {
		wired := false
		for _, w := range s.Wiring {
			wired = wired || w.Instrument == s.Instruments[i].Name
		}
		if !wired {
			r.found.Warn(s.Instruments[i].Place, "add it to the wiring", "%s is not wired to anything", s.Instruments[i].Name)
		}
	}
}
