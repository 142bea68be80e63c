package scpi_test

import (
	"encoding/csv"
	"os"
	"strings"
	"testing"
	"time"

	"fourwire/sim/scpi"
)

// probe is an instrument with one command for everything that the parser can be asked.
type probe struct {
	device  *scpi.Device
	volts   [5]float64
	amps    float64
	log     []string // what the set commands did, in order
	sweep   *scpi.Operation
	resets  int
	trigger int
}

func newProbe(tb testing.TB, change ...func(*scpi.Options)) *probe {
	tb.Helper()
	p := &probe{}
	o := scpi.Options{
		Maker: "Lakeside", Model: "Probe", Serial: "12", Firmware: "3.4",
		Commands: append(append(p.settings(), p.data()...), p.timed()...),
		Reset:    func(*scpi.Call) error { p.resets++; return nil },
		Trigger:  func(*scpi.Call) error { p.trigger++; return nil },
	}
	for _, f := range change {
		f(&o)
	}
	var err error
	if p.device, err = scpi.NewDevice(o); err != nil {
		tb.Fatal(err)
	}
	return p
}

func number(unit string) []scpi.Param { return []scpi.Param{{Kind: scpi.Number, Unit: unit}} }

// note is a set handler that only writes its name down.
func (p *probe) note(name string) func(*scpi.Call) error {
	return func(*scpi.Call) error { p.log = append(p.log, name); return nil }
}

func (p *probe) settings() []scpi.Command {
	one := func(name string) func(*scpi.Call) error {
		return func(c *scpi.Call) error { c.Character(name); return nil }
	}
	return []scpi.Command{
		{
			Pattern: "[SOURce[1..4]]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
			Params: []scpi.Param{{Kind: scpi.Number, Unit: "V", Limits: func(*scpi.Call) scpi.Limits {
				return scpi.Limits{Min: 0, Max: 60, Default: 1, Step: 0.001}
			}}},
			Set:   func(c *scpi.Call) error { p.volts[c.Suffix(0)] = c.Float(0); p.log = append(p.log, "VOLT"); return nil },
			Query: func(c *scpi.Call) error { c.Number(p.volts[c.Suffix(0)]); return nil },
		},
		{
			Pattern: "[SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]", Params: number("A"),
			Set:   func(c *scpi.Call) error { p.amps = c.Float(0); p.log = append(p.log, "CURR"); return nil },
			Query: func(c *scpi.Call) error { c.Number(p.amps); return nil },
		},
		{Pattern: "[SOURce]:VOLTage:PROTection[:LEVel]", Params: number("V"), Set: p.note("VOLT:PROT")},
		{Pattern: "[SOURce]:CURRent:PROTection:STATe", Params: []scpi.Param{{Kind: scpi.Boolean}}, Set: p.note("CURR:PROT:STAT")},
		{Pattern: "OUTPut[:STATe]", Params: []scpi.Param{{Kind: scpi.Boolean}}, Set: p.note("OUTP")},
		{Pattern: "A:B", Params: number(""), Set: p.note("A:B"), Query: one("AB")},
		{Pattern: "A:C", Params: number(""), Set: p.note("A:C"), Query: one("AC")},
		{Pattern: "MEASure:VOLTage?", Query: one("MV")},
		{Pattern: "MEASure:CURRent?", Query: one("MC")},
		{Pattern: "CALibration:ZERO:TYPE", Params: []scpi.Param{{Kind: scpi.Keyword, Keywords: []string{"INTernal", "EXTernal"}}}, Set: p.note("TYPE")},
		{Pattern: "CALibration:ZERO:AUTO", Params: []scpi.Param{{Kind: scpi.Boolean, Keywords: []string{"ONCE"}}}, Set: p.note("AUTO")},
		{Pattern: "ONLY:SET", Set: p.note("ONLY")},
	}
}

// data are the commands that answer what they understood.
func (p *probe) data() []scpi.Command {
	show := func(pattern string, params []scpi.Param, answer func(*scpi.Call)) scpi.Command {
		return scpi.Command{Pattern: pattern, QueryParams: params, Query: func(c *scpi.Call) error { answer(c); return nil }}
	}
	float := func(c *scpi.Call) { c.NR3(c.Float(0), 16) }
	unit := func(keyword, unit string) scpi.Command { return show("DATA:"+keyword+"?", number(unit), float) }
	return []scpi.Command{
		unit("PLAin", ""), unit("RATio", "1"), unit("VOLT", "V"), unit("AMP", "A"), unit("HERTz", "HZ"),
		unit("OHM", "OHM"), unit("SECond", "S"), unit("WATT", "W"), unit("SLEW", "A/S"),
		show("DATA:INT?", []scpi.Param{{Kind: scpi.Integer}}, func(c *scpi.Call) { c.NR1(int64(c.Int(0))) }),
		show("DATA:BOOL?", []scpi.Param{{Kind: scpi.Boolean, Keywords: []string{"ONCE"}}}, func(c *scpi.Call) {
			if c.Word(0) == 0 {
				c.Character("ONCE")
				return
			}
			c.Boolean(c.Bool(0))
		}),
		show("DATA:WORD?", []scpi.Param{{Kind: scpi.Keyword, Keywords: []string{"VOLTage", "CURRent"}}}, func(c *scpi.Call) {
			c.Character([]string{"VOLTage", "CURRent"}[c.Word(0)])
		}),
		show("DATA:TEXT?", []scpi.Param{{Kind: scpi.Text}}, func(c *scpi.Call) { c.Text(string(c.Bytes(0))) }),
		show("DATA:BLOCk?", []scpi.Param{{Kind: scpi.Block}}, func(c *scpi.Call) { c.Block(c.Bytes(0)) }),
		show("DATA:EXPRession?", []scpi.Param{{Kind: scpi.Expression}}, func(c *scpi.Call) { c.Text(string(c.Bytes(0))) }),
		{Pattern: "DATA:CHANnels?", QueryParams: []scpi.Param{{Kind: scpi.Channels}}, Query: func(c *scpi.Call) error {
			list, err := c.ChannelList(0)
			if err == nil {
				c.ChannelNumbers(list)
			}
			return err
		}},
		show("DATA:RANGes?", []scpi.Param{{Kind: scpi.Ranges}}, func(c *scpi.Call) {
			for _, r := range c.List(0) {
				c.NR2(r.From, 1)
				c.NR2(r.To, 1)
			}
		}),
		show("DATA:LIST?", []scpi.Param{{Kind: scpi.Number, Unit: "V", Repeat: true}}, func(c *scpi.Call) {
			for i := range c.Arguments() {
				c.NR2(c.Float(i), 1)
			}
		}),
		show("DATA:PAIR?", []scpi.Param{{Kind: scpi.Number}, {Kind: scpi.Integer, Optional: true}}, func(c *scpi.Call) {
			c.NR1(int64(c.Arguments()))
		}),
		show("DATA:BASE?", []scpi.Param{{Kind: scpi.Integer}, {Kind: scpi.Integer}}, func(c *scpi.Call) {
			c.NonDecimal(uint64(c.Int(0)), c.Int(1))
		}),
		show("DATA:READings?", nil, func(c *scpi.Call) { c.Readings([]float64{1, -0.5}) }),
		show("DATA:SINGles?", nil, func(c *scpi.Call) { c.Readings32([]float32{1, -0.5}) }),
		show("DATA:ENDLess?", nil, func(c *scpi.Call) { c.IndefiniteBlock([]byte("A\nB")) }),
	}
}

// timed are the commands that take time.
func (p *probe) timed() []scpi.Command {
	return []scpi.Command{
		{Pattern: "READ?", Query: func(c *scpi.Call) error {
			c.After(20*time.Millisecond, func(c *scpi.Call) error { c.NR1(c.Now() / 1e6); return nil })
			return nil
		}},
		{Pattern: "SLOW", Set: func(c *scpi.Call) error { c.Hold(5 * time.Millisecond); return nil }},
		{Pattern: "DAWDle?", Takes: 7 * time.Millisecond, Query: func(c *scpi.Call) error { c.NR1(c.Now() / 1e6); return nil }},
		{Pattern: "INITiate", Set: func(c *scpi.Call) error {
			p.device.Operation().Raise(16)
			p.sweep = c.Overlap(100*time.Millisecond, func(*scpi.Operation) { p.device.Operation().Drop(16) })
			return nil
		}},
		{Pattern: "FETCh?", Query: func(c *scpi.Call) error {
			if p.sweep == nil {
				return scpi.DataCorruptOrStale
			}
			c.AfterOperation(p.sweep, func(c *scpi.Call) error {
				if p.sweep.Aborted() {
					return scpi.DataCorruptOrStale.With("aborted")
				}
				c.NR1(c.Now() / 1e6)
				return nil
			})
			return nil
		}},
		{Pattern: "ABORt", Set: func(*scpi.Call) error {
			if p.sweep != nil {
				p.sweep.End()
			}
			return nil
		}},
		{Pattern: "TIME?", Query: func(c *scpi.Call) error { c.NR1(c.Now() / 1e6); return nil }},
	}
}

// say sends text to a stream session in virtual time and returns everything that comes out, without the last LF.
func say(s *scpi.Session, text string) string {
	return strings.TrimSuffix(raw(s, text), "\n")
}

// raw feeds text and runs the session until nothing is left to wait for.
func raw(s *scpi.Session, text string) string {
	var out strings.Builder
	now := int64(0)
	for rest := []byte(text); ; {
		rest = rest[s.Feed(rest, false):]
		next := s.Run(now)
		p := s.Output()
		out.Write(p)
		if len(rest) > 0 || len(p) > 0 {
			continue
		}
		if next == scpi.Never {
			return out.String()
		}
		now = next
	}
}

// lastErrors empties the error queue and returns its numbers, separated by blanks; "" when it was empty.
func lastErrors(s *scpi.Session) string {
	out := firstFields(say(s, "SYST:ERR:ALL?\n"))
	if out == "0" {
		return ""
	}
	return out
}

func firstFields(list string) string {
	var numbers []string
	for i, f := range strings.Split(list, `"`) {
		if i%2 == 0 {
			if f = strings.Trim(f, ","); f != "" {
				numbers = append(numbers, f)
			}
		}
	}
	return strings.Join(numbers, " ")
}

// table reads a file of published values, without its comment lines and heading.
func table(t *testing.T, name string) [][]string {
	t.Helper()
	data, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(strings.NewReader(string(data)))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(rows), err)
	}
	return rows[1:]
}
