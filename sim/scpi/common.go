package scpi

// commonCommands are the thirteen mandatory common commands of IEEE 488.2 clause 10, *OPT?, and those that the options
// give a meaning to.
func (d *Device) commonCommands() []Command {
	o := &d.options
	octet := []Param{{Kind: Integer, Limits: Within(0, 255, 0)}}
	commands := []Command{
		{Pattern: "*CLS", Set: func(*Call) error { d.clearStatus(); return nil }},
		{Pattern: "*ESE", Params: octet, QueryParams: []Param{},
			Set:   func(c *Call) error { d.ese = byte(c.Int(0)); d.statusChanged(); return nil },
			Query: func(c *Call) error { c.NR1(int64(d.ese)); return nil }},
		{Pattern: "*ESR?", Query: func(c *Call) error {
			c.NR1(int64(d.esr))
			d.esr = 0
			d.statusChanged()
			return nil
		}},
		{Pattern: "*IDN?", Query: func(c *Call) error { c.Line(o.identity()); return nil }},
		{Pattern: "*OPC",
			Set:   func(c *Call) error { c.session.operationComplete(); return nil },
			Query: d.answerComplete},
		{Pattern: "*OPT?", Query: func(c *Call) error { c.Line(orZero(o.Installed)); return nil }},
		{Pattern: "*RST", Set: d.reset},
		{Pattern: "*SRE", Params: octet, QueryParams: []Param{},
			Set: func(c *Call) error {
				d.sre = byte(c.Int(0)) &^ MSS
				d.statusChanged()
				return nil
			},
			Query: func(c *Call) error { c.NR1(int64(d.sre)); return nil }},
		{Pattern: "*STB?", Query: func(c *Call) error {
			stb := d.statusByte(c.session.available())
			if stb&d.sre != 0 {
				stb |= MSS
			}
			c.NR1(int64(stb))
			return nil
		}},
		{Pattern: "*TST?", Query: func(c *Call) error {
			if o.SelfTest == nil {
				c.NR1(0)
				return nil
			}
			n, err := o.SelfTest(c)
			if err == nil {
				c.NR1(int64(n))
			}
			return err
		}},
		{Pattern: "*WAI", Set: func(c *Call) error {
			if d.Busy() && !o.Quirks.IgnoreWait {
				c.afterAll(func(*Call) error { return nil })
			}
			return nil
		}},
	}
	if o.Trigger != nil {
		commands = append(commands, Command{Pattern: "*TRG", Set: o.Trigger})
	}
	for _, memory := range []struct {
		pattern string
		use     func(*Call, int) error
	}{{"*SAV", o.Save}, {"*RCL", o.Recall}} {
		if memory.use != nil {
			commands = append(commands, Command{Pattern: memory.pattern, Params: octet,
				Set: func(c *Call) error { return memory.use(c, c.Int(0)) }})
		}
	}
	return commands
}

func (o *Options) identity() string {
	return orZero(o.Maker) + "," + orZero(o.Model) + "," + orZero(o.Serial) + "," + orZero(o.Firmware)
}

func orZero(s string) string {
	if s == "" {
		return "0"
	}
	return s
}

// clearStatus is *CLS: event registers and error queue are emptied and a waiting *OPC is forgotten; enables stay.
func (d *Device) clearStatus() {
	d.cancelComplete()
	d.errors.clear()
	d.esr = 0
	for i := len(d.ordered) - 1; i >= 0; i-- { // children first: clearing one lowers a condition above it
		d.ordered[i].takeEvent()
	}
	d.statusChanged()
}

// reset is *RST: pending operations are ended and the instrument goes to its reset state; the status registers, their
// enables, the error queue and the output queue stay.
func (d *Device) reset(c *Call) error {
	d.cancelComplete()
	for len(d.pending) > 0 {
		d.pending[0].End()
	}
	d.format, d.swapped, d.ascii = ASCII, false, 0
	if d.options.Reset == nil {
		return nil
	}
	return d.options.Reset(c)
}

// operationComplete is *OPC.
func (s *Session) operationComplete() {
	if s.device.options.Quirks.InstantComplete {
		s.device.raiseEvent(OPC)
		return
	}
	s.awaitingOC = true
	s.device.settleComplete()
}

// answerComplete is *OPC?.
func (d *Device) answerComplete(c *Call) error {
	one := func(c *Call) error { c.NR1(1); return nil }
	if d.Busy() && !d.options.Quirks.InstantComplete {
		c.afterAll(one)
		return nil
	}
	return one(c)
}
