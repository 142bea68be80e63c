package instrument

import (
	"math"
	"strings"
	"time"

	"fourwire/sim/scpi"
)

// recordCommands are those of a unit's deep buffer: what is fed into it, how often, and how it is read.
func (in *Instrument) recordCommands() []scpi.Command {
	trace := in.numbered("TRACe")
	return []scpi.Command{
		{
			Pattern: trace + ":FEED",
			Params:  []scpi.Param{{Kind: scpi.Text}},
			Set: func(call *scpi.Call) error {
				r := in.channel(call).recorder
				volts, ok := feedNamed(string(call.Bytes(0)))
				switch {
				case !ok:
					return scpi.IllegalParameterValue
				case r.on:
					return busyRecording()
				}
				r.withVolts = volts
				return nil
			},
			Query: func(call *scpi.Call) error {
				call.Text(map[bool]string{false: "CURR", true: "CURR,VOLT"}[in.channel(call).recorder.withVolts])
				return nil
			},
		},
		in.number(trace+":TINTerval", "S", "", fixed(float64(leastRecordNs)*1e-9, float64(mostRecordNs)*1e-9, float64(usualRecordNs)*1e-9),
			func(c *Channel, seconds float64, _ int64) error {
				if c.recorder.on {
					return busyRecording()
				}
				ns := math.Round(seconds * 1e9)
				grid := math.Round(ns/float64(recordGridNs)) * float64(recordGridNs)
				if math.Abs(seconds*1e9-grid) > 0.5 {
					return scpi.DataOutOfRange.With("intervals are whole microseconds")
				}
				c.recorder.interval = int64(grid)
				return nil
			},
			func(c *Channel) float64 { return float64(c.recorder.interval) * 1e-9 }),
		in.number(trace+":RANGe:ULIMit", "A", "",
			func(c *Channel) scpi.Limits {
				top := c.spec.Amps[len(c.spec.Amps)-1].Full
				return scpi.Limits{Min: 0, Max: top, Default: top}
			},
			func(c *Channel, amps float64, _ int64) error {
				if c.recorder.on {
					return busyRecording()
				}
				for i := range c.spec.Amps {
					if c.recorder.top = i; amps <= c.spec.Amps[i].Full*(1+1e-9) {
						return nil
					}
				}
				return nil
			},
			func(c *Channel) float64 { return c.spec.Amps[c.recorder.top].Full }),
		{
			Pattern: trace + ":FEED:CONTrol",
			Params:  []scpi.Param{{Kind: scpi.Keyword, Keywords: []string{"ALWays", "NEVer"}}},
			Set: func(call *scpi.Call) error {
				c := in.channel(call)
				r := c.recorder
				switch {
				case call.Word(0) == 1:
					r.stop()
				case r.on:
					return busyRecording()
				case in.capture.running():
					return scpi.SettingsConflict.With("a capture is under way")
				default:
					c.drop()
					r.start()
				}
				in.operations()
				return nil
			},
			Query: func(call *scpi.Call) error {
				call.Character([...]string{"NEVer", "ALWays"}[indexOf(in.channel(call).recorder.on)])
				return nil
			},
		},
		{
			Pattern:     trace + ":DATA?",
			QueryParams: []scpi.Param{{Kind: scpi.Integer, Limits: scpi.Within(1, 1e9, 1e5)}, {Kind: scpi.Integer, Limits: scpi.Within(0, 1e9, 0), Optional: true}},
			Query: func(call *scpi.Call) error {
				most, least := int64(call.Int(0)), int64(call.Int(1))
				if least > most {
					return scpi.DataOutOfRange.With("more wanted than taken")
				}
				return in.channel(call).recorder.answer(call, most, least)
			},
		},
		{Pattern: trace + ":TOTals?", Query: func(call *scpi.Call) error {
			r := in.channel(call).recorder
			call.NR1(r.taken)
			call.NR1(r.lost)
			call.NR3(r.coulombs(), 15)
			call.NR1(r.handovers)
			return nil
		}},
		{Pattern: trace + ":BUFFer?", Query: func(call *scpi.Call) error { call.NR1(in.channel(call).recorder.depth); return nil }},
		in.number(in.numbered("OUTPut")+":IMPedance", "OHM", "series resistance",
			func(c *Channel) scpi.Limits { return scpi.Limits{Max: c.spec.Output.MaxSeriesOhm} },
			func(c *Channel, ohm float64, now int64) error { c.out.setSeries(ohm, now); return nil },
			func(c *Channel) float64 { return c.out.seriesOhm }),
	}
}

func busyRecording() error { return scpi.SettingsConflict.With("it records") }

// feedNamed reads what is to be recorded: the current, or current and voltage.
func feedNamed(names string) (volts, ok bool) {
	first, second, two := strings.Cut(names, ",")
	f, ok := functionNamed(first)
	if !ok || f != Amps {
		return false, false
	}
	if !two {
		return false, true
	}
	f, ok = functionNamed(second)
	return true, ok && f == Volts
}

// answer gives the next samples, at most so many. With least it waits until so many are there, or the recording has ended.
func (r *recorder) answer(call *scpi.Call, most, least int64) error {
	if missing := least - r.waiting; missing > 0 && r.on && r.waiting < r.depth {
		recording := r.recordings
		span := missing*r.interval - r.stream.filled
		call.AfterWhen(time.Duration(span), func() bool { return !r.on || r.recordings != recording },
			func(call *scpi.Call) error { return r.answer(call, most, least) })
		return nil
	}
	count := r.contiguous(most)
	if count > 0 && r.dropsAnswer() {
		r.lost += count
		r.skip(count)
		return r.answer(call, most, least)
	}
	call.NR1(r.first())
	call.NR1(count)
	call.NR1(r.lost)
	call.Text(r.runs(count))
	size := count * 4
	if r.withVolts {
		size *= 2
	}
	_, swapped := call.Device().ReadingFormat()
	call.BlockOf(int(size), func(block []byte) { r.render(block, swapped) })
	return nil
}

// dropsAnswer tells whether the fault that makes away with answers strikes the next one.
func (r *recorder) dropsAnswer() bool {
	r.answers++
	if r.dropped <= 0 {
		return false
	}
	spec := &r.channel.owner.spec
	u := spec.Seed.Uniform(Key{spec.Name, r.channel.number, "dropped answer", r.recordings<<32 | r.answers})
	return (1+u)/2 < r.dropped
}

// DropBlocks has a share of a recording's answers vanish from now on: their samples are gone, and the index jumps.
func (in *Instrument) DropBlocks(channel int, share float64) {
	if r := in.channels[channel-1].recorder; r != nil {
		r.dropped = share
	}
}

// LoseSamples has the samples of a span vanish, some time into the recording that is under way, or into the next one. Silently: the index
// goes on as if nothing were missing.
func (in *Instrument) LoseSamples(channel int, into, span time.Duration, silently bool) {
	r := in.channels[channel-1].recorder
	if r == nil {
		return
	}
	r.trouble = loss{into, span, silently, true}
	if r.on {
		r.lose()
	}
}
