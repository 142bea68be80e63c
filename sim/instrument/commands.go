package instrument

import (
	"fmt"
	"math"
	"strings"
	"time"

	"fourwire/sim/scpi"
)

// commands declares what the instrument understands besides what every SCPI instrument does.
func (in *Instrument) commands() []scpi.Command {
	var all []scpi.Command
	switch in.spec.Kind {
	case Source:
		all = append(in.outputCommands(), in.currentSetting())
	case Unit:
		all = append(in.outputCommands(), in.unitCommands()...)
		all = append(all, in.recordCommands()...)
	case Load:
		all = in.loadCommands()
	case Meter:
		all = append(in.meterCommands(), in.rangeCommands()...)
		return append(append(all, in.captureCommands()...), in.triggerCommands()...)
	}
	all = append(append(append(all, in.captureCommands()...), in.triggerCommands()...), in.listCommands()...)
	all = append(all, in.acquisitionCommands()...)
	if in.spec.Watchdog {
		all = append(all, in.watchdogCommands()...)
	}
	if in.spec.Kind != Source {
		all = append(all, in.rangeCommands()...)
	}
	return all
}

// numbered writes a keyword with the suffixes that the instrument's channels have.
func (in *Instrument) numbered(keyword string) string {
	if len(in.channels) == 1 {
		return keyword + "[1..1]"
	}
	return fmt.Sprintf("%s[1..%d]", keyword, len(in.channels))
}

// source is the head of a source subsystem command, "[SOURce[1..2]]:".
func (in *Instrument) source() string { return "[" + in.numbered("SOURce") + "]:" }

// channel is the one that the first suffix of a header names.
func (in *Instrument) channel(call *scpi.Call) *Channel { return in.channels[call.Suffix(0)-1] }

const level = "[:LEVel][:IMMediate][:AMPLitude]"

// number declares a setting that is one number with limits: set changes it, query reads it back. The world learns of the change, and
// the log gets the value that was asked.
func (in *Instrument) number(pattern, unit, name string, limits func(*Channel) scpi.Limits, set func(*Channel, float64, int64) error, query func(*Channel) float64) scpi.Command {
	return scpi.Command{
		Pattern: pattern,
		Params: []scpi.Param{{Kind: scpi.Number, Unit: unit, Limits: func(call *scpi.Call) scpi.Limits {
			return limits(in.channel(call))
		}}},
		Set: func(call *scpi.Call) error {
			c := in.channel(call)
			if err := set(c, call.Float(0), call.Now()); err != nil {
				return err
			}
			if name != "" {
				c.log(SetValue, name, call.Float(0))
			}
			in.world.Touch()
			return nil
		},
		Query: func(call *scpi.Call) error {
			call.Number(query(in.channel(call)))
			return nil
		},
	}
}

// flag declares a setting that is on or off.
func (in *Instrument) flag(pattern, name string, set func(*Channel, bool, int64) error, query func(*Channel) bool) scpi.Command {
	return scpi.Command{
		Pattern: pattern,
		Params:  []scpi.Param{{Kind: scpi.Boolean}},
		Set: func(call *scpi.Call) error {
			c := in.channel(call)
			if err := set(c, call.Bool(0), call.Now()); err != nil {
				return err
			}
			if name != "" {
				c.log(SetValue, name, call.Float(0))
			}
			in.world.Touch()
			return nil
		},
		Query: func(call *scpi.Call) error {
			call.Boolean(query(in.channel(call)))
			return nil
		},
	}
}

func fixed(least, most, byDefault float64) func(*Channel) scpi.Limits {
	return func(*Channel) scpi.Limits { return scpi.Limits{Min: least, Max: most, Default: byDefault} }
}

// acquisitionCommands are those of an instrument that measures volts and amps at once.
func (in *Instrument) acquisitionCommands() []scpi.Command {
	aperture := func(f string) scpi.Command {
		return in.number(in.numbered("SENSe")+":"+f+"[:DC]:APERture", "S", "", fixed(20e-6, 10, startAperture.Seconds()),
			func(c *Channel, seconds float64, _ int64) error {
				c.gauges[Volts].aperture = time.Duration(math.Round(seconds * 1e9))
				c.gauges[Amps].aperture = c.gauges[Volts].aperture
				return nil
			},
			func(c *Channel) float64 { return c.gauges[Volts].aperture.Seconds() })
	}
	fetch := func(f Function, word string) scpi.Command {
		return scpi.Command{Pattern: in.numbered("FETCh") + "[:SCALar]:" + word + "[:DC]?",
			Query: func(call *scpi.Call) error { return in.channel(call).answer(call, f) }}
	}
	measure := func(word string, tell func(*Channel) float64) scpi.Command {
		return scpi.Command{Pattern: in.numbered("MEASure") + "[:SCALar]:" + word + "[:DC]?",
			Query: func(call *scpi.Call) error {
				c := in.channel(call)
				if c.recording() || in.capture.running() {
					return scpi.InitIgnored
				}
				call.AfterOperation(c.begin(call, Volts, Amps), func(call *scpi.Call) error {
					if v := tell(c); !math.IsNaN(v) {
						call.Number(v)
						return nil
					}
					return scpi.DataCorruptOrStale
				})
				return nil
			}}
	}
	return []scpi.Command{
		aperture("VOLTage"), aperture("CURRent"),
		{Pattern: in.numbered("INITiate") + "[:IMMediate]", Set: func(call *scpi.Call) error {
			c := in.channel(call)
			if c.recording() || in.capture.running() {
				return scpi.InitIgnored
			}
			c.begin(call, Volts, Amps)
			return nil
		}},
		in.abort(),
		fetch(Volts, "VOLTage"), fetch(Amps, "CURRent"),
		measure("VOLTage", func(c *Channel) float64 { return c.gauges[Volts].reading }),
		measure("CURRent", func(c *Channel) float64 { return c.gauges[Amps].reading }),
		measure("POWer", func(c *Channel) float64 {
			v, a := c.gauges[Volts].reading, c.gauges[Amps].reading
			if math.Abs(v) >= scpi.Infinity || math.Abs(a) >= scpi.Infinity {
				return scpi.NotANumber
			}
			return v * a
		}),
	}
}

func (in *Instrument) abort() scpi.Command {
	return scpi.Command{Pattern: "ABORt", Set: func(call *scpi.Call) error {
		in.capture.abort()
		in.lists.abort(call.Now())
		for _, c := range in.channels {
			if c.recording() {
				c.recorder.stop()
			}
			c.drop()
		}
		return nil
	}}
}

// recording tells whether the channel feeds its buffer, and takes no readings.
func (c *Channel) recording() bool { return c.recorder != nil && c.recorder.on }

// rangeCommands choose measuring ranges.
func (in *Instrument) rangeCommands() []scpi.Command {
	var all []scpi.Command
	for f, word := range []string{"VOLTage", "CURRent"} {
		f := Function(f)
		unit := [...]string{"V", "A"}[f]
		set := in.number(in.numbered("SENSe")+":"+word+"[:DC]:RANGe[:UPPer]", unit, "",
			func(c *Channel) scpi.Limits {
				top := c.gauges[f].ranges[len(c.gauges[f].ranges)-1].Full
				return scpi.Limits{Min: -top, Max: top, Default: top}
			},
			func(*Channel, float64, int64) error { return nil },
			func(c *Channel) float64 { return c.gauges[f].present().Full })
		set.Set = func(call *scpi.Call) error {
			c := in.channel(call)
			if err := in.capture.free(); err != nil {
				return err
			}
			changed, ok := c.gauges[f].choose(call.Float(0))
			if !ok {
				return scpi.DataOutOfRange
			}
			if changed {
				c.drop()
				if span := c.followRange(); span > 0 {
					call.Hold(span)
				}
			}
			return nil
		}
		all = append(all, set, scpi.Command{
			Pattern: in.numbered("SENSe") + ":" + word + "[:DC]:RANGe:AUTO",
			Params:  []scpi.Param{{Kind: scpi.Boolean}},
			Set: func(call *scpi.Call) error {
				if call.Bool(0) {
					return scpi.SettingsConflict.With("ranges are chosen by hand")
				}
				return nil
			},
			Query: func(call *scpi.Call) error { call.Boolean(false); return nil },
		})
	}
	return all
}

// meterCommands are those of a meter, which measures one function at a time.
func (in *Instrument) meterCommands() []scpi.Command {
	c := in.channels[0]
	selected := func() Function { return in.selected }
	read := func(call *scpi.Call, f func() Function) error {
		if in.capture.running() {
			return scpi.InitIgnored
		}
		call.AfterOperation(c.begin(call, f()), func(call *scpi.Call) error { return c.answer(call, f()) })
		return nil
	}
	all := []scpi.Command{
		{
			Pattern: "[SENSe]:FUNCtion[:ON]",
			Params:  []scpi.Param{{Kind: scpi.Text}},
			Set: func(call *scpi.Call) error {
				f, ok := functionNamed(string(call.Bytes(0)))
				if !ok {
					return scpi.IllegalParameterValue
				}
				if f != in.selected {
					if err := in.capture.free(); err != nil {
						return err
					}
					c.drop()
					c.gauges[Volts].reading, c.gauges[Amps].reading = math.NaN(), math.NaN()
				}
				in.selected = f
				return nil
			},
			Query: func(call *scpi.Call) error { call.Text([...]string{"VOLT", "CURR"}[in.selected]); return nil },
		},
		{Pattern: "INITiate[:IMMediate]", Set: func(call *scpi.Call) error {
			if in.capture.running() {
				return scpi.InitIgnored
			}
			c.begin(call, in.selected)
			return nil
		}},
		{Pattern: "FETCh?", Query: func(call *scpi.Call) error { return c.answer(call, in.selected) }},
		{Pattern: "READ?", Query: func(call *scpi.Call) error { return read(call, selected) }},
		in.abort(),
	}
	for f, word := range []string{"VOLTage", "CURRent"} {
		f := Function(f)
		g := &c.gauges[f]
		all = append(all,
			in.number("SENSe[1..1]:"+word+"[:DC]:APERture", "S", "", fixed(20e-6, 10, startAperture.Seconds()),
				func(_ *Channel, seconds float64, _ int64) error {
					g.aperture = time.Duration(math.Round(seconds * 1e9))
					return nil
				},
				func(*Channel) float64 { return g.aperture.Seconds() }),
			in.number("SENSe[1..1]:"+word+"[:DC]:NPLCycles", "1", "", fixed(0.001, 500, 1),
				func(_ *Channel, cycles float64, _ int64) error {
					g.aperture = time.Duration(math.Round(cycles / LineHertz * 1e9))
					return nil
				},
				func(*Channel) float64 { return g.aperture.Seconds() * LineHertz }),
			scpi.Command{Pattern: "FETCh[:SCALar]:" + word + "[:DC]?", Query: func(call *scpi.Call) error { return c.answer(call, f) }},
			scpi.Command{Pattern: "MEASure[:SCALar]:" + word + "[:DC]?", Query: func(call *scpi.Call) error {
				if !in.capture.running() {
					in.selected = f
				}
				return read(call, func() Function { return f })
			}},
		)
	}
	return all
}

// functionNamed reads a sense function name: "VOLT", "VOLTage:DC", "CURR:DC".
func functionNamed(name string) (Function, bool) {
	head, tail, dc := strings.Cut(strings.ToUpper(strings.TrimSpace(name)), ":")
	if dc && tail != "DC" {
		return 0, false
	}
	switch head {
	case "VOLT", "VOLTAGE":
		return Volts, true
	case "CURR", "CURRENT":
		return Amps, true
	}
	return 0, false
}
