package instrument

import (
	"math"

	"fourwire/sim/scpi"
)

// outputCommands are those that a source and a source-measure unit share.
func (in *Instrument) outputCommands() []scpi.Command {
	return []scpi.Command{
		in.number(in.source()+"VOLTage"+level, "V", "volts",
			func(c *Channel) scpi.Limits {
				s := &c.spec.Output
				least := 0.0
				if c.out.fourQuadrants {
					least = -s.MaxVolts
				}
				return scpi.Limits{Min: least, Max: s.MaxVolts, Step: s.VoltsStep}
			},
			func(c *Channel, volts float64, now int64) error {
				c.out.setVoltage(volts, now)
				c.ramping()
				return nil
			},
			func(c *Channel) float64 { return c.out.setVolts }),
		in.number(in.source()+"VOLTage:PROTection[:LEVel]", "V", "over-voltage level",
			func(c *Channel) scpi.Limits {
				return scpi.Limits{Max: c.spec.Output.MaxOverVolts, Default: c.spec.Output.MaxOverVolts}
			},
			func(c *Channel, volts float64, _ int64) error { c.out.overVolts = volts; return nil },
			func(c *Channel) float64 { return c.out.overVolts }),
		in.number(in.source()+"CURRent:PROTection[:LEVel]", "A", "over-current level",
			func(c *Channel) scpi.Limits {
				return scpi.Limits{Max: c.spec.Output.MaxOverAmps, Default: c.spec.Output.MaxOverAmps}
			},
			func(c *Channel, amps float64, _ int64) error { c.out.overAmps = amps; return nil },
			func(c *Channel) float64 { return c.out.overAmps }),
		in.flag(in.source()+"CURRent:PROTection:STATe", "over-current protection",
			func(c *Channel, on bool, _ int64) error { c.out.overAmpsOn = on; return nil },
			func(c *Channel) bool { return c.out.overAmpsOn }),
		in.flag(in.numbered("OUTPut")+"[:STATe]", "", (*Channel).turnOutput, func(c *Channel) bool { return c.out.on }),
		{Pattern: in.numbered("OUTPut") + ":PROTection:CLEar", Set: func(call *scpi.Call) error {
			c := in.channel(call)
			c.clear(&c.out.tripped)
			return nil
		}},
		in.senseCommand(func(c *Channel) *bool { return &c.out.remote }),
	}
}

func (c *Channel) turnOutput(on bool, now int64) error {
	if on && c.out.tripped != 0 {
		return scpi.SettingsConflict.With("a protection has tripped")
	}
	if on != c.out.on {
		c.log(Switched, [...]string{"off", "on"}[indexOf(on)], float64(indexOf(on)))
	}
	c.owner.world.Observe() // the ramp starts where the terminals stand
	c.out.turn(on, now)
	c.ramping()
	c.known = false
	if on {
		c.owner.switchedOn(now)
	}
	return nil
}

func indexOf(on bool) int {
	if on {
		return 1
	}
	return 0
}

// ramping makes a slew of the output a pending operation.
func (c *Channel) ramping() {
	c.ramp.End()
	c.ramp = nil
	if now := c.owner.world.Now(); c.out.reference.moving(now) {
		c.ramp = c.owner.device.BeginUntil(c.out.reference.end, func(o *scpi.Operation) {
			if c.ramp == o {
				c.owner.operations()
			}
		})
	}
	c.owner.operations()
}

// clear takes latched protections back.
func (c *Channel) clear(latched *trips) {
	*latched = 0
	c.log(Cleared, "", 0)
	c.refreshStatus()
}

// senseCommand selects local or remote sense.
func (in *Instrument) senseCommand(remote func(*Channel) *bool) scpi.Command {
	return scpi.Command{
		Pattern: in.source() + "VOLTage:ALC:SOURce",
		Params:  []scpi.Param{{Kind: scpi.Keyword, Keywords: []string{"INTernal", "EXTernal"}}},
		Set: func(call *scpi.Call) error {
			c := in.channel(call)
			*remote(c) = call.Word(0) == 1
			c.log(SetValue, "remote sense", float64(call.Word(0)))
			in.world.Touch()
			return nil
		},
		Query: func(call *scpi.Call) error {
			call.Character([...]string{"INTernal", "EXTernal"}[indexOf(*remote(in.channel(call)))])
			return nil
		},
	}
}

func (in *Instrument) currentSetting() scpi.Command {
	return in.number(in.source()+"CURRent"+level, "A", "amps", limitOfAmps, setAmps, func(c *Channel) float64 { return c.out.setAmps })
}

func limitOfAmps(c *Channel) scpi.Limits {
	s := &c.spec.Output
	return scpi.Limits{Max: s.MaxAmps, Default: s.MaxAmps, Step: s.AmpsStep}
}

func setAmps(c *Channel, amps float64, now int64) error {
	c.out.setAmps = math.Abs(amps)
	c.out.apply(now)
	return nil
}

// unitCommands are those that only a source-measure unit has: it sources voltage or current, and its compliance is symmetric.
func (in *Instrument) unitCommands() []scpi.Command {
	return append(in.forcedCommands(),
		in.number(in.numbered("SENSe")+":CURRent[:DC]:PROTection[:LEVel]", "A", "amps", limitOfAmps, setAmps, func(c *Channel) float64 { return c.out.setAmps }))
}
