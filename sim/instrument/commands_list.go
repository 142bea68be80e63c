package instrument

import "fourwire/sim/scpi"

// listLimits are those of one level.
func (c *Channel) listLimits(f Function) scpi.Limits {
	switch {
	case c.in != nil && f == Amps:
		return scpi.Limits{Max: c.in.topAmps()}
	case c.in != nil:
		return scpi.Limits{Max: c.spec.Input.MaxVolts}
	case f == Amps:
		return limitOfAmps(c)
	}
	s := &c.spec.Output
	least := 0.0
	if c.out.fourQuadrants {
		least = -s.MaxVolts
	}
	return scpi.Limits{Min: least, Max: s.MaxVolts, Step: s.VoltsStep}
}

// listCommands are those of lists, which an instrument has that makes something.
func (in *Instrument) listCommands() []scpi.Command {
	var all []scpi.Command
	values := func(word, unit string, limits func(*Channel) scpi.Limits, of func(*list) *[]float64) {
		all = append(all, scpi.Command{
			Pattern: in.source() + "LIST:" + word,
			Params: []scpi.Param{{Kind: scpi.Number, Unit: unit, Repeat: true, Limits: func(call *scpi.Call) scpi.Limits {
				return limits(in.channel(call))
			}}},
			Set: func(call *scpi.Call) error {
				if err := in.lists.free(); err != nil {
					return err
				}
				c := in.channel(call)
				if call.Arguments() > c.spec.List.Steps {
					return scpi.TooMuchData
				}
				to := of(&c.list)
				*to = (*to)[:0:0]
				for i := range call.Arguments() {
					*to = append(*to, call.Float(i))
				}
				return nil
			},
			QueryParams: []scpi.Param{},
			Query: func(call *scpi.Call) error {
				call.Readings(*of(&in.channel(call).list))
				return nil
			},
		}, scpi.Command{Pattern: in.source() + "LIST:" + word + ":POINts?", Query: func(call *scpi.Call) error {
			call.NR1(int64(len(*of(&in.channel(call).list))))
			return nil
		}})
	}
	for f, word := range []string{"VOLTage", "CURRent"} {
		values(word, [...]string{"V", "A"}[f], func(c *Channel) scpi.Limits { return c.listLimits(Function(f)) },
			func(l *list) *[]float64 { return &l.levels[f] })
		all = append(all, in.modeCommand(word, Function(f)))
	}
	values("DWELl", "S", func(c *Channel) scpi.Limits { return scpi.Limits{Min: c.spec.List.LeastDwell.Seconds(), Max: 3600} },
		func(l *list) *[]float64 { return &l.dwell })
	return append(all,
		scpi.Command{
			Pattern: in.source() + "LIST:COUNt", Params: []scpi.Param{{Kind: scpi.Integer, Limits: scpi.Within(1, 1e6, 1)}},
			Set: func(call *scpi.Call) error {
				if err := in.lists.free(); err != nil {
					return err
				}
				in.channel(call).list.count = call.Int(0)
				return nil
			},
			Query: func(call *scpi.Call) error { call.NR1(int64(in.channel(call).list.count)); return nil },
		},
		scpi.Command{
			Pattern: in.source() + "LIST:STEP", Params: []scpi.Param{{Kind: scpi.Keyword, Keywords: []string{"AUTO", "ONCE"}}},
			Set: func(call *scpi.Call) error {
				if err := in.lists.free(); err != nil {
					return err
				}
				in.channel(call).list.once = call.Word(0) == 1
				return nil
			},
			Query: func(call *scpi.Call) error {
				call.Character([...]string{"AUTO", "ONCE"}[indexOf(in.channel(call).list.once)])
				return nil
			},
		},
		scpi.Command{Pattern: in.source() + "LIST:POINts:MAXimum?", Query: func(call *scpi.Call) error {
			call.NR1(int64(in.channel(call).spec.List.Steps))
			return nil
		}})
}

// modeCommand chooses whether a level is the fixed one or that of a list.
func (in *Instrument) modeCommand(word string, f Function) scpi.Command {
	words := []string{"FIXed", "LIST"}
	return scpi.Command{
		Pattern: in.source() + word + ":MODE", Params: []scpi.Param{{Kind: scpi.Keyword, Keywords: words}},
		Set: func(call *scpi.Call) error {
			if err := in.lists.free(); err != nil {
				return err
			}
			c := in.channel(call)
			if c.list.follows[f] = call.Word(0) == 1; !c.list.follows[f] {
				c.list.listed[f] = false
			}
			c.follow(call.Now())
			return nil
		},
		Query: func(call *scpi.Call) error {
			call.Character(words[indexOf(in.channel(call).list.follows[f])])
			return nil
		},
	}
}
