package instrument

import (
	"math"

	"fourwire/sim/scpi"
)

// list is what one channel runs through by itself.
type list struct {
	levels   [2][]float64 // by Function
	dwell    []float64    // s; one is for all steps
	count    int
	once     bool    // each trigger makes one step
	follows  [2]bool // by Function: mode LIST
	listed   [2]bool // by Function: a step is in force
	standing [2]float64
}

func (l *list) reset() { *l = list{count: 1} }

// lists is sequence 1 of an instrument: it runs the lists of all channels whose mode is LIST, step by step at once.
type lists struct {
	owner   *Instrument
	source  trigger
	op      *scpi.Operation
	waiting bool // for the trigger that starts it, or makes the next step
	step    int
	round   int
	next    *alarm
}

func (s *lists) reset() {
	s.end()
	s.source, s.step, s.round = atOnce, 0, 0
	for _, c := range s.owner.channels {
		c.list.reset()
	}
}

// running tells whether lists are under way, waiting for a trigger included.
func (s *lists) running() bool { return s != nil && s.op.Pending() }

// free refuses a change while lists are under way.
func (s *lists) free() error {
	if s.running() {
		return scpi.SettingsConflict.With("a list runs")
	}
	return nil
}

func (s *lists) setSource(t trigger) error {
	if s == nil {
		return scpi.HeaderSuffixOutOfRange
	}
	if t == onVolts || t == onAmps || t == onOutput {
		return scpi.IllegalParameterValue
	}
	if err := s.free(); err != nil {
		return err
	}
	s.source = t
	return nil
}

// followers are the channels whose mode is LIST.
func (s *lists) followers() (all []*Channel) {
	for _, c := range s.owner.channels {
		if c.list.follows[Volts] || c.list.follows[Amps] {
			all = append(all, c)
		}
	}
	return all
}

// steps returns the number of steps of a channel's lists; an error where they do not go together.
func (l *list) steps() (int, error) {
	n := 0
	for f, levels := range l.levels {
		if l.follows[f] {
			if len(levels) == 0 {
				return 0, scpi.SettingsConflict.With("the list is empty")
			}
			n = max(n, len(levels))
		}
	}
	for f, levels := range l.levels {
		if l.follows[f] && len(levels) != n && len(levels) != 1 {
			return 0, scpi.SettingsConflict.With("the lists are not of one length")
		}
	}
	if d := len(l.dwell); !l.once && d != n && d != 1 {
		return 0, scpi.SettingsConflict.With("the dwell times are not of the list's length")
	}
	return n, nil
}

// start is INITiate of sequence 1.
func (s *lists) start(call *scpi.Call) error {
	if s == nil {
		return scpi.HeaderSuffixOutOfRange
	}
	if s.running() {
		return scpi.InitIgnored
	}
	follow := s.followers()
	if len(follow) == 0 {
		return scpi.SettingsConflict.With("no mode is LIST")
	}
	first := 0
	for i, c := range follow {
		n, err := c.list.steps()
		switch {
		case err != nil:
			return err
		case i == 0:
			first = n
		case n != first || c.list.once != follow[0].list.once || c.list.count != follow[0].list.count:
			return scpi.SettingsConflict.With("the lists of the channels do not go together")
		}
	}
	if follow[0].list.once && s.source == atOnce {
		return scpi.SettingsConflict.With("each step waits for a trigger, and there is none")
	}
	s.op = call.Device().Begin()
	s.step, s.round, s.waiting = -1, 0, true
	if s.source == atOnce {
		s.trigger(call.Now())
	}
	s.owner.operations()
	return nil
}

// trigger starts the lists, or makes their next step; false where nothing waits for it.
func (s *lists) trigger(now int64) bool {
	if !s.running() || !s.waiting {
		return false
	}
	follow := s.followers()
	if len(follow) == 0 {
		return false
	}
	if follow[0].list.once {
		s.advance(follow, now)
		if s.step+1 == s.length(follow) && s.round+1 == follow[0].list.count {
			s.finish()
		}
		return true
	}
	s.waiting = false
	s.goOn(now)
	return true
}

func (s *lists) length(follow []*Channel) int {
	n, _ := follow[0].list.steps() // was looked at when it started
	return n
}

// goOn makes the next step, and has the one behind it come when its dwell time is over.
func (s *lists) goOn(now int64) {
	follow := s.followers()
	if len(follow) == 0 || !s.running() {
		s.finish()
		return
	}
	l := &follow[0].list
	if s.step+1 == s.length(follow) && s.round+1 >= l.count {
		s.finish()
		return
	}
	s.advance(follow, now)
	dwell := l.dwell[min(s.step, len(l.dwell)-1)]
	at := now + nanoseconds(dwell)
	s.next = s.owner.wakeAt(at, func(int64) { s.goOn(at) })
}

// advance makes a step on every channel that follows its list.
func (s *lists) advance(follow []*Channel, now int64) {
	if s.step++; s.step == s.length(follow) {
		s.step = 0
		s.round++
	}
	for _, c := range follow {
		for f := range c.list.levels {
			if c.list.follows[f] {
				levels := c.list.levels[f]
				c.list.standing[f], c.list.listed[f] = levels[min(s.step, len(levels)-1)], true
				c.log(SetValue, Function(f).String(), c.list.standing[f])
			}
		}
		c.follow(now)
	}
	s.owner.pulse(pulseStep, now)
}

// finish ends the lists; the last step stays.
func (s *lists) finish() {
	s.end()
	s.owner.operations()
}

func (s *lists) end() {
	s.owner.cancel(s.next)
	s.next, s.waiting = nil, false
	op := s.op
	s.op = nil
	op.End()
}

// tripped ends the lists where a protection has switched the output off; their last step stays.
func (s *lists) tripped() {
	if s.running() {
		s.finish()
	}
}

// abort ends the lists and brings every channel to its fixed values.
func (s *lists) abort(now int64) {
	if s == nil {
		return
	}
	s.end()
	for _, c := range s.followers() {
		if c.list.listed != [2]bool{} {
			c.list.listed = [2]bool{}
			c.follow(now)
		}
	}
	s.owner.operations()
}

// follow has the channel go to the levels that are in force now: those of a list's step, or the fixed ones.
func (c *Channel) follow(now int64) {
	switch {
	case c.out != nil:
		c.out.follow(c.inForce(Volts), c.inForce(Amps), now)
		c.ramping()
	case c.in != nil:
		c.in.follow(c.inForce(Volts), c.inForce(Amps), now)
	}
	c.owner.world.Touch()
}

// inForce is the level of a list's step; NaN where the fixed value holds.
func (c *Channel) inForce(f Function) float64 {
	if c.list.follows[f] && c.list.listed[f] {
		return c.list.standing[f]
	}
	return math.NaN()
}

func nanoseconds(seconds float64) int64 { return int64(math.Round(seconds * 1e9)) }
