package instrument

import (
	"math"

	"fourwire/sim/circuit"
	"fourwire/sim/device"
	"fourwire/sim/scpi"
)

// forced is what a source-measure unit does when it sources current: a level of either sign, and a voltage that it does not exceed.
type forced struct {
	yes   bool    // FUNCtion CURRent; else the unit sources voltage
	amps  float64 // level as asked
	volts float64 // compliance, both ways
}

// levelRanges are the ranges of the level, chosen by itself: the smallest that holds it. Decades, as units have.
var levelRanges = [...]float64{1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 0.1, 1, 10}

const (
	levelSteps   = 1e-5 // of a range: resolution of the level
	levelSiemens = 1e-7 // of a range, per volt: how stiff the current is
)

// levelRange is the range of the level.
func (o *output) levelRange() float64 {
	for _, full := range levelRanges {
		if math.Abs(o.force.amps) <= full*(1+1e-9) {
			return full
		}
	}
	return levelRanges[len(levelRanges)-1]
}

// forcedAmps is the current as it really is, at no voltage. The offset is a part of the range.
func (o *output) forcedAmps() float64 {
	full := o.levelRange()
	step := full * levelSteps
	level := math.Round(o.force.amps/step) * step
	return level*(1+o.spec.AmpsGain) + o.spec.AmpsOffset*full/levelRanges[len(levelRanges)-1]
}

// forcedAt is what a unit that sources current delivers, its slopes by the terminals and by the regulated point, and the branch.
func (o *output) forcedAt(terminal, point float64) (amps, byTerminal, byPoint float64, branch device.Branch) {
	if !o.on {
		return 0, 0, 0, device.Off
	}
	most := o.force.volts * (1 + o.spec.VoltsGain)
	amps, byTerminal, branch = o.forcedAmps(), -levelSiemens*o.levelRange(), device.ConstantCurrent
	if w := o.spec.MaxWatts; w > 0 && amps != 0 {
		most = min(most, w/math.Abs(amps))
	}
	amps += byTerminal * terminal
	if high := (most - point) / o.spec.RcvOhm; high < amps {
		return high, 0, -1 / o.spec.RcvOhm, device.ConstantVoltage
	}
	if low := (-most - point) / o.spec.RcvOhm; low > amps {
		return low, 0, -1 / o.spec.RcvOhm, device.ConstantVoltage
	}
	return amps, byTerminal, 0, branch
}

// forcedCurrents is Currents of a unit that sources current.
func (o *output) forcedCurrents(terminal, sense float64) (amps1, amps2 float64, slopes circuit.Slopes) {
	input := 1 / o.spec.SenseInputOhm
	point := terminal
	if o.remote {
		point = max(min(sense, terminal+o.spec.CompensationVolts), terminal-o.spec.CompensationVolts)
	}
	amps, byTerminal, byPoint, _ := o.forcedAt(terminal, point)
	slopes = circuit.Slopes{S11: -byTerminal, S22: input}
	if o.remote && point == sense {
		slopes.S12 = -byPoint
	} else {
		slopes.S11 -= byPoint
	}
	return -amps, sense * input, slopes
}

// forcedBranch tells which part of the characteristic holds.
func (o *output) forcedBranch() device.Branch {
	terminal := o.terminalVolts()
	_, _, _, b := o.forcedAt(terminal, o.sensedVolts())
	return b
}

// forcedCommands are those of a unit that sources current.
func (in *Instrument) forcedCommands() []scpi.Command {
	return []scpi.Command{
		in.number(in.source()+"CURRent"+level, "A", "forced amps",
			func(c *Channel) scpi.Limits {
				s := &c.spec.Output
				return scpi.Limits{Min: -s.MaxAmps, Max: s.MaxAmps}
			},
			func(c *Channel, amps float64, _ int64) error { c.out.force.amps = amps; return nil },
			func(c *Channel) float64 { return c.out.force.amps }),
		in.number(in.numbered("SENSe")+":VOLTage[:DC]:PROTection[:LEVel]", "V", "volts compliance",
			func(c *Channel) scpi.Limits {
				return scpi.Limits{Max: c.spec.Output.MaxVolts, Default: c.spec.Output.MaxVolts}
			},
			func(c *Channel, volts float64, _ int64) error { c.out.force.volts = volts; return nil },
			func(c *Channel) float64 { return c.out.force.volts }),
		{
			Pattern: in.source() + "FUNCtion[:MODE]",
			Params:  []scpi.Param{{Kind: scpi.Keyword, Keywords: []string{"VOLTage", "CURRent"}}},
			Set: func(call *scpi.Call) error {
				c := in.channel(call)
				if yes := call.Word(0) == 1; yes != c.out.force.yes {
					c.out.force.yes, c.known = yes, false
					c.log(SetValue, "forces amps", float64(call.Word(0)))
					in.world.Touch()
				}
				return nil
			},
			Query: func(call *scpi.Call) error {
				call.Character([...]string{"VOLTage", "CURRent"}[indexOf(in.channel(call).out.force.yes)])
				return nil
			},
		},
	}
}
