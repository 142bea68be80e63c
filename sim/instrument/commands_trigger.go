package instrument

import (
	"fmt"

	"fourwire/sim/scpi"
)

// triggerWords are the words of a trigger source, in the order of the triggers.
func triggerWords() []string {
	words := []string{"IMMediate", "BUS", "VOLTage", "CURRent", "OUTPut"}
	for i := range Lines {
		words = append(words, fmt.Sprintf("TTLT%d", i+1))
	}
	return words
}

const triggerHead = "TRIGger:SEQuence[1..2]"

// triggerCommands are those of the trigger subsystem: sequence 1 starts or steps lists, sequence 2 takes samples or readings.
func (in *Instrument) triggerCommands() []scpi.Command {
	const head = triggerHead
	d := in.capture
	ofCapture := func(call *scpi.Call) error {
		if call.Suffix(0) != 2 {
			return scpi.HeaderSuffixOutOfRange
		}
		return nil
	}
	number := func(word, unit string, limits scpi.Limits, integer bool, set func(float64), query func() float64) scpi.Command {
		p := scpi.Param{Kind: scpi.Number, Unit: unit, Limits: func(*scpi.Call) scpi.Limits { return limits }}
		if integer {
			p.Kind, p.Unit = scpi.Integer, ""
		}
		return scpi.Command{
			Pattern: head + ":" + word, Params: []scpi.Param{p},
			Set: func(call *scpi.Call) error {
				if err := ofCapture(call); err != nil {
					return err
				}
				if err := d.free(); err != nil {
					return err
				}
				set(call.Float(0))
				return nil
			},
			Query: func(call *scpi.Call) error {
				if err := ofCapture(call); err != nil {
					return err
				}
				if integer {
					call.NR1(int64(query()))
					return nil
				}
				call.Number(query())
				return nil
			},
		}
	}
	const most = 1e9 // of a level: what unit it has depends on the source
	all := []scpi.Command{
		{
			Pattern: head + ":SOURce", Params: []scpi.Param{{Kind: scpi.Keyword, Keywords: triggerWords()}},
			Set: func(call *scpi.Call) error {
				t := trigger(call.Word(0))
				if call.Suffix(0) == 2 {
					return d.setSource(t)
				}
				return in.lists.setSource(t)
			},
			Query: func(call *scpi.Call) error {
				t := d.source
				if call.Suffix(0) == 1 {
					if in.lists == nil {
						return scpi.HeaderSuffixOutOfRange
					}
					t = in.lists.source
				}
				call.Character(triggerWords()[t])
				return nil
			},
		},
		{
			Pattern: head + "[:IMMediate]",
			Set: func(call *scpi.Call) error {
				hit := false
				if call.Suffix(0) == 2 {
					hit = d.trigger(call.Now())
				} else if in.lists != nil {
					hit = in.lists.trigger(call.Now())
				}
				if !hit {
					return scpi.TriggerIgnored
				}
				return nil
			},
		},
		number("LEVel", "", scpi.Limits{Min: -most, Max: most}, false, func(v float64) { d.level = v }, func() float64 { return d.level }),
		number("HYSTeresis", "", scpi.Limits{Max: most}, false, func(v float64) { d.hysteresis = v }, func() float64 { return d.hysteresis }),
		number("COUNt", "", scpi.Limits{Min: 1, Max: 1e6, Default: 1}, true, func(v float64) { d.count = int(v) }, func() float64 { return float64(d.count) }),
		number("DELay", "S", scpi.Limits{Max: 3600}, false, func(v float64) { d.delay = nanoseconds(v) }, func() float64 { return float64(d.delay) * 1e-9 }),
		{
			Pattern: head + ":SLOPe", Params: []scpi.Param{{Kind: scpi.Keyword, Keywords: []string{"POSitive", "NEGative", "EITHer"}}},
			Set: func(call *scpi.Call) error {
				if err := ofCapture(call); err != nil {
					return err
				}
				if err := d.free(); err != nil {
					return err
				}
				d.slope = [...]int{1, -1, 0}[call.Word(0)]
				return nil
			},
			Query: func(call *scpi.Call) error {
				call.Character(map[int]string{1: "POSitive", -1: "NEGative", 0: "EITHer"}[d.slope])
				return nil
			},
		},
		{
			Pattern: "INITiate[:IMMediate]:SEQuence[1..2]",
			Set: func(call *scpi.Call) error {
				if call.Suffix(0) == 2 {
					return d.start(call)
				}
				return in.lists.start(call)
			},
		},
	}
	return append(all, in.lineCommands()...)
}

// lineCommands are those of the driving side of the trigger lines.
func (in *Instrument) lineCommands() []scpi.Command {
	words := []string{"STEP", "SEQ2", "OUTPut"}
	head := in.numbered("OUTPut") + fmt.Sprintf(":TTLTrg[1..%d]", Lines)
	return []scpi.Command{
		{
			Pattern: head + ":SOURce", Params: []scpi.Param{{Kind: scpi.Keyword, Keywords: words}},
			Set: func(call *scpi.Call) error {
				in.outlets[call.Suffix(1)-1].at = uint8(call.Word(0))
				return nil
			},
			Query: func(call *scpi.Call) error {
				call.Character(words[in.outlets[call.Suffix(1)-1].at])
				return nil
			},
		},
		{
			Pattern: head + "[:STATe]", Params: []scpi.Param{{Kind: scpi.Boolean}},
			Set:   func(call *scpi.Call) error { in.outlets[call.Suffix(1)-1].on = call.Bool(0); return nil },
			Query: func(call *scpi.Call) error { call.Boolean(in.outlets[call.Suffix(1)-1].on); return nil },
		},
	}
}
