package scpi

import "strings"

// systemCommands are the SYSTem, STATus and FORMat commands that every SCPI instrument has.
func (d *Device) systemCommands() []Command {
	version := d.options.Version
	if version == "" {
		version = "1999.0"
	}
	return []Command{
		{Pattern: "SYSTem:ERRor[:NEXT]?", Query: func(c *Call) error { c.answerError(d.takeError()); return nil }},
		{Pattern: "SYSTem:ERRor:ALL?", Query: func(c *Call) error {
			c.answerError(d.takeError())
			for d.errors.count > 0 {
				c.answerError(d.takeError())
			}
			return nil
		}},
		{Pattern: "SYSTem:ERRor:COUNt?", Query: func(c *Call) error { c.NR1(int64(d.errors.count)); return nil }},
		{Pattern: "SYSTem:ERRor:CODE[:NEXT]?", Query: func(c *Call) error {
			c.NR1(int64(d.takeError().Code))
			return nil
		}},
		{Pattern: "SYSTem:VERSion?", Query: func(c *Call) error {
			c.session.out = append(c.element(), version...)
			return nil
		}},
		{Pattern: "STATus:PRESet", Set: func(*Call) error {
			for i := len(d.ordered) - 1; i >= 0; i-- {
				d.ordered[i].preset()
			}
			return nil
		}},
		{Pattern: "FORMat[:DATA]",
			Params: []Param{
				{Kind: Keyword, Keywords: []string{"ASCii", "REAL"}},
				{Kind: Integer, Limits: Within(0, 64, 0), Optional: true},
			},
			Set: d.setFormat, Query: d.answerFormat},
		{Pattern: "FORMat:BORDer", Params: []Param{{Kind: Keyword, Keywords: []string{"NORMal", "SWAPped"}}},
			Set: func(c *Call) error { d.swapped = c.Word(0) == 1; return nil },
			Query: func(c *Call) error {
				if d.swapped {
					c.Character("SWAPped")
				} else {
					c.Character("NORMal")
				}
				return nil
			}},
	}
}

// setFormat is FORMat[:DATA]; the length of ASCii is its significant digits (0: the instrument's choice), that of REAL
// is 32 or 64 bits.
func (d *Device) setFormat(c *Call) error {
	length := c.Int(1)
	if c.Word(0) == 0 {
		if length > 17 {
			return DataOutOfRange
		}
		d.format, d.ascii = ASCII, length
		return nil
	}
	switch {
	case length == 32:
		d.format = Real32
	case length == 64, !c.Given(1):
		d.format = Real64
	default:
		return IllegalParameterValue
	}
	return nil
}

func (d *Device) answerFormat(c *Call) error {
	switch d.format {
	case ASCII:
		c.Character("ASCii")
		c.NR1(int64(d.ascii))
	case Real32:
		c.Character("REAL")
		c.NR1(32)
	default:
		c.Character("REAL")
		c.NR1(64)
	}
	return nil
}

func (d *Device) takeError() Error {
	e := d.errors.pop()
	if d.errors.count == 0 {
		d.statusChanged()
	}
	return e
}

// maxErrorText is the length of the string in the answer to SYSTem:ERRor? (SCPI-1999 volume 2, SYSTem:ERRor).
const maxErrorText = 255

// answerError answers an entry of the error queue as number and string.
func (c *Call) answerError(e Error) {
	q := &c.session.device.options.Quirks
	if e.Code == NoError && q.PlusZero {
		c.session.out = append(c.element(), "+0"...)
	} else {
		c.NR1(int64(e.Code))
	}
	if q.BareErrors {
		return
	}
	text := strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, e.message())
	c.Text(text[:min(len(text), maxErrorText)])
}

// registerCommands are the five commands of a status register set, or of several that a numeric suffix tells apart.
func registerCommands(path string, sets ...*Register) []Command {
	word := []Param{{Kind: Integer, Limits: Within(0, 65535, 0)}}
	chosen := func(c *Call) *Register { return sets[min(c.Suffix(0), len(sets))-1] }
	field := func(name string, of func(*Register) *uint16) Command {
		return Command{Pattern: path + name, Params: word, QueryParams: []Param{},
			Set: func(c *Call) error {
				r := chosen(c)
				*of(r) = uint16(c.Int(0)) & registerMask
				r.changed()
				return nil
			},
			Query: func(c *Call) error { c.NR1(int64(*of(chosen(c)))); return nil }}
	}
	return []Command{
		{Pattern: path + "[:EVENt]?", Query: func(c *Call) error { c.NR1(int64(chosen(c).takeEvent())); return nil }},
		{Pattern: path + ":CONDition?", Query: func(c *Call) error { c.NR1(int64(chosen(c).condition)); return nil }},
		field(":ENABle", func(r *Register) *uint16 { return &r.enable }),
		field(":PTRansition", func(r *Register) *uint16 { return &r.ptr }),
		field(":NTRansition", func(r *Register) *uint16 { return &r.ntr }),
	}
}
