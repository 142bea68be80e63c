package instrument

import (
	"fourwire/sim/device"
	"fourwire/sim/scpi"
)

// loadModes are the modes in the order of the words of FUNCtion.
func loadModes() ([]string, [4]device.LoadMode) {
	return []string{"CURRent", "VOLTage", "RESistance", "POWer"}, [4]device.LoadMode{device.HoldAmps, device.HoldVolts, device.HoldOhms, device.HoldWatts}
}

// levelOf declares the level of one mode.
func (in *Instrument) levelOf(word, unit, name string, mode device.LoadMode, limits func(*Channel) scpi.Limits) scpi.Command {
	return in.number(in.source()+word+level, unit, name, limits,
		func(c *Channel, value float64, now int64) error {
			c.in.levels[mode] = value
			if c.in.mode == mode {
				c.in.apply(now)
			}
			return nil
		},
		func(c *Channel) float64 { return c.in.levels[mode] })
}

func (in *Instrument) loadCommands() []scpi.Command {
	words, modes := loadModes()
	return []scpi.Command{
		in.levelOf("CURRent", "A", "amps", device.HoldAmps, func(c *Channel) scpi.Limits { return scpi.Limits{Max: c.in.topAmps()} }),
		in.levelOf("VOLTage", "V", "volts", device.HoldVolts, func(c *Channel) scpi.Limits {
			return scpi.Limits{Max: c.spec.Input.MaxVolts, Default: c.spec.Input.MaxVolts}
		}),
		in.levelOf("RESistance", "OHM", "ohms", device.HoldOhms, func(c *Channel) scpi.Limits {
			s := &c.spec.Input
			return scpi.Limits{Min: s.LowOhms, Max: s.HighOhms, Default: s.HighOhms}
		}),
		in.levelOf("POWer", "W", "watts", device.HoldWatts, func(c *Channel) scpi.Limits { return scpi.Limits{Max: c.spec.Input.MaxWatts} }),
		{
			Pattern: in.source() + "FUNCtion[:MODE]",
			Params:  []scpi.Param{{Kind: scpi.Keyword, Keywords: words}},
			Set: func(call *scpi.Call) error {
				c := in.channel(call)
				c.in.mode = modes[call.Word(0)]
				c.in.apply(call.Now())
				c.log(SetValue, "mode "+c.in.mode.String(), 0)
				in.world.Touch()
				return nil
			},
			Query: func(call *scpi.Call) error {
				for i, m := range modes {
					if m == in.channel(call).in.mode {
						call.Character(words[i])
					}
				}
				return nil
			},
		},
		in.number(in.source()+"CURRent:RANGe", "A", "",
			func(c *Channel) scpi.Limits {
				top := c.spec.Input.AmpsRanges[len(c.spec.Input.AmpsRanges)-1]
				return scpi.Limits{Max: top, Default: top}
			},
			func(c *Channel, amps float64, now int64) error {
				if !c.in.chooseRange(amps) {
					return scpi.DataOutOfRange
				}
				if c.in.levels[device.HoldAmps] > c.in.topAmps() {
					c.in.levels[device.HoldAmps] = c.in.topAmps()
					if c.in.mode == device.HoldAmps {
						c.in.apply(now)
					}
				}
				return nil
			},
			func(c *Channel) float64 { return c.in.topAmps() }),
		in.number(in.source()+"CURRent:PROTection[:LEVel]", "A", "over-current level",
			func(c *Channel) scpi.Limits {
				return scpi.Limits{Max: c.spec.Input.MaxOverAmps, Default: c.spec.Input.MaxOverAmps}
			},
			func(c *Channel, amps float64, _ int64) error { c.in.overAmps = amps; return nil },
			func(c *Channel) float64 { return c.in.overAmps }),
		in.flag(in.source()+"CURRent:PROTection:STATe", "over-current protection",
			func(c *Channel, on bool, _ int64) error { c.in.overAmpsOn = on; return nil },
			func(c *Channel) bool { return c.in.overAmpsOn }),
		in.flag(in.numbered("INPut")+"[:STATe]", "", (*Channel).turnInput, func(c *Channel) bool { return c.in.on }),
		in.flag(in.numbered("INPut")+":SHORt[:STATe]", "short", (*Channel).shortInput, func(c *Channel) bool { return c.in.shorted }),
		{Pattern: in.numbered("INPut") + ":PROTection:CLEar", Set: func(call *scpi.Call) error {
			c := in.channel(call)
			c.clear(&c.in.tripped)
			return nil
		}},
		in.senseCommand(func(c *Channel) *bool { return &c.in.remote }),
	}
}

func (c *Channel) turnInput(on bool, now int64) error {
	if on && c.in.tripped != 0 {
		return scpi.SettingsConflict.With("a protection has tripped")
	}
	if on != c.in.on {
		c.log(Switched, [...]string{"off", "on"}[indexOf(on)], float64(indexOf(on)))
	}
	c.in.turn(on, now)
	c.known = false
	if on {
		c.owner.switchedOn(now)
	}
	return nil
}

func (c *Channel) shortInput(on bool, now int64) error {
	if err := c.owner.lists.free(); err != nil {
		return err
	}
	c.in.short(on, now)
	return nil
}
