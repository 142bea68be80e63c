package instrument

import (
	"math"

	"fourwire/sim/scpi"
)

// captureCommands are those of the buffer of samples.
func (in *Instrument) captureCommands() []scpi.Command {
	d, sense := in.capture, in.numbered("SENSe")
	whole := func(word string, limits func() scpi.Limits, set func(int), query func() int) scpi.Command {
		return scpi.Command{
			Pattern: sense + ":SWEep:" + word,
			Params:  []scpi.Param{{Kind: scpi.Integer, Limits: func(*scpi.Call) scpi.Limits { return limits() }}},
			Set: func(call *scpi.Call) error {
				if err := d.free(); err != nil {
					return err
				}
				set(call.Int(0))
				return nil
			},
			Query: func(call *scpi.Call) error { call.NR1(int64(query())); return nil },
		}
	}
	most := func() float64 { return float64(max(d.converter().Points, 1)) }
	all := []scpi.Command{
		in.number(sense+":SWEep:TINTerval", "S", "",
			func(*Channel) scpi.Limits {
				least := d.converter().Least.Seconds()
				return scpi.Limits{Min: least, Max: 1, Default: least}
			},
			func(_ *Channel, seconds float64, _ int64) error {
				if err := d.free(); err != nil {
					return err
				}
				grid := float64(captureGridNs) * 1e-9
				d.interval = int64(math.Round(seconds/grid)) * captureGridNs
				return nil
			},
			func(*Channel) float64 { return float64(d.interval) * 1e-9 }),
		whole("POINts", func() scpi.Limits { return scpi.Limits{Min: 1, Max: most(), Default: 1} },
			func(n int) { d.points = n }, func() int { return d.points }),
		whole("OFFSet:POINts", func() scpi.Limits { return scpi.Limits{Min: -most(), Max: 0} },
			func(n int) { d.before = -n }, func() int { return -d.before }),
		{Pattern: sense + ":BANDwidth?", Query: func(call *scpi.Call) error { call.Number(d.converter().BandwidthHertz); return nil }},
	}
	for f, word := range []string{"VOLTage", "CURRent"} {
		all = append(all, scpi.Command{Pattern: in.numbered("FETCh") + ":ARRay:" + word + "[:DC]?", Query: func(call *scpi.Call) error {
			tell := func(call *scpi.Call) error {
				if !d.fed[f] || len(d.rows[f]) == 0 || call.Suffix(0) != 1 {
					return scpi.DataCorruptOrStale
				}
				call.Readings32(d.rows[f])
				return nil
			}
			if d.running() {
				call.AfterOperation(d.op, tell)
				return nil
			}
			return tell(call)
		}})
	}
	return all
}
