package scpi

// execute runs the unit that was found.
func (s *Session) execute() {
	u, c := &s.unit, &s.call
	if s.discarding || u.headFrom == u.headTo {
		s.endUnit()
		return
	}
	s.units++
	s.unitFrom = len(s.out)
	h := u.header
	if h == nil {
		var err error
		head := s.in[u.headFrom:u.headTo]
		if h, err = s.find(head); err != nil {
			c.elements = 0
			s.finish(s.blame(err, head))
			return
		}
	}
	f := h.form
	takes := f.command.Takes
	if f.query && f.command.QueryTakes > 0 {
		takes = f.command.QueryTakes
	}
	if takes == 0 {
		takes = s.device.options.CommandTime
	}
	if takes > 0 && !s.delayed {
		u.header = h
		c.wait, c.then, c.ready, c.until = waitTime, nil, nil, s.now+int64(takes)
		return
	}
	c.reset(h)
	s.path = h.to
	if f.query && s.indefinite {
		s.finish(QueryUnterminatedIndefinite)
		return
	}
	if u.dataTo > u.headTo || f.required > 0 {
		data := s.in[u.headTo:u.dataTo]
		if err := c.readArguments(f, data); err != nil {
			s.finish(s.blame(err, data))
			return
		}
		if c.hasExtreme {
			c.answerExtreme(f.limits)
			s.finish(nil)
			return
		}
	}
	s.finish(f.handler(c))
}

// finish ends the unit with what its handler returned, unless the handler waits for something.
func (s *Session) finish(err error) {
	c := &s.call
	if err == nil && c.wait != waitNothing {
		return
	}
	c.wait, c.then, c.on = waitNothing, nil, nil
	switch {
	case err != nil:
		s.out = s.out[:s.unitFrom]
		e := asError(err)
		s.device.Post(e)
		s.discarding = s.discarding || e.Code.eventBit() == CME
	case c.elements == 0 || s.muted:
		s.out = s.out[:s.unitFrom]
	default:
		s.responded = true
	}
	if s.unit.end == semicolon && s.device.options.Quirks.Compound == CompoundRefused && !s.discarding {
		s.device.Post(InvalidSeparator)
		s.discarding = true
	}
	s.endUnit()
}

// endUnit goes on to the next unit, and ends the message behind the last one.
func (s *Session) endUnit() {
	end := s.unit.end
	s.unit.found = false
	if s.delayed {
		s.unit.header, s.delayed = nil, false
	}
	s.scan.restart()
	if end == lineFeed {
		s.endMessage()
	}
	if len(s.echoed) > 0 {
		s.out = append(s.out, s.echoed...)
		s.echoed = s.echoed[:0]
	}
	s.settle()
}

func (s *Session) endMessage() {
	if s.responded {
		s.out = append(s.out, s.options.Terminator...)
		s.endResponse()
	} else if s.units > 0 && s.options.Acknowledge != "" {
		s.out = append(append(s.out, s.options.Acknowledge...), s.options.Terminator...)
		s.endResponse()
	}
	if s.options.Prompt != "" {
		s.out = append(s.out, s.options.Prompt...)
	}
	s.path, s.units = nil, 0
	s.begun, s.responded, s.discarding, s.muted, s.indefinite = false, false, false, false, false
}

func (s *Session) endResponse() {
	if s.options.Messages || s.options.Whole {
		s.ends = append(s.ends, len(s.out))
	}
}

// maxDetail keeps the details that come from the controller short.
const maxDetail = 60

// blame adds the offending text to a command error when the instrument gives details.
func (s *Session) blame(err error, text []byte) error {
	c, ok := err.(Code)
	if !ok || !s.device.options.Details || c.eventBit() != CME {
		return err
	}
	for len(text) > 0 && text[0] <= ' ' {
		text = text[1:]
	}
	return c.With(string(text[:min(len(text), maxDetail)]))
}

func (c *Call) reset(h *header) {
	c.header, c.elements, c.hasExtreme = h, 0, false
	c.values = c.values[:0]
}

func (c *Call) answerExtreme(p *param) {
	if p.Kind == Integer {
		c.NR1(int64(c.extreme))
		return
	}
	c.Number(c.extreme)
}
