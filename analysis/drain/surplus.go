package drain

// surplus is what goes beyond the events that are listed: it counts in the states that the listed ones have shown, and is then forgotten.
type surplus struct {
	clusters []cluster // nil while all events are listed
	sums     []stateSum
	events   int
	broken   int // events with too many levels, that were told in parts

	keptEvents, keptSegments, keptCells int
}

// settle makes room after an event.
func (m *machine) settle() {
	if n := len(m.events); n > 0 {
		m.last = m.events[n-1]
	}
	s := &m.more
	switch {
	case s.clusters != nil:
		m.absorb()
	case len(m.events) >= maxEvents || len(m.segments) >= maxSegments:
		s.clusters = m.clusters(m.wanted)
		s.sums = make([]stateSum, len(s.clusters))
		for i := range s.sums {
			s.sums[i].ranges = make([]tally, len(m.quiet.ranges))
		}
		s.keptEvents, s.keptSegments, s.keptCells = len(m.events), len(m.segments), len(m.cells)
	}
}

func (m *machine) absorb() {
	s := &m.more
	m.assign(s.clusters, s.keptEvents)
	for _, e := range m.events[s.keptEvents:] {
		s.events++
		m.count(e, func(state int16) *stateSum { return &s.sums[state] })
	}
	m.events, m.segments, m.cells = m.events[:s.keptEvents], m.segments[:s.keptSegments], m.cells[:s.keptCells]
}

// count adds the segments of an event to the sums of their states.
func (m *machine) count(e stretch, of func(state int16) *stateSum) {
	before := int16(-1)
	for i := e.first; i < e.last; i++ {
		g := &m.segments[i]
		to := of(g.state)
		if g.state != before {
			to.visit()
			before = g.state
		}
		to.addSegment(g, m.cells)
	}
}

// breakUp ends an event that has too many levels behind those that are closed, and goes on with the rest as another one.
func (m *machine) breakUp() {
	l := &m.levels
	end := m.begin
	for i := l.first; i < len(m.segments); i++ {
		end += m.segments[i].n
	}
	inQuiet := m.inQuiet
	m.split(end, true)
	m.settle()
	m.noteInrush()
	m.inQuiet = inQuiet
	m.begin, m.cut = end, true
	l.first, l.firstCell = len(m.segments), len(m.cells)
	m.more.broken++
}
