package drain

import (
	"math"
	"slices"
)

const (
	followSamples = 64 // quiet samples for each correction of the floor
	followShare   = 0.125
	maxEvents     = 250_000
	maxSegments   = 1_000_000
	maxLevels     = 100_000 // of one event
	earlySamples  = 1 << 17 // of the first event, for its inrush
)

// stateSum is what a state has in all.
type stateSum struct {
	ranges  []tally
	product float64
	peak    float32
	n       int64
	visits  int

	// of the visit that goes on, and of the visits before: sums of their squared charge, of charge times samples, of squared samples
	visitN             int64
	visitSum           float64
	charge2, mixed, n2 float64
}

// visit begins another one.
func (s *stateSum) visit() {
	s.visits++
	n := float64(s.visitN)
	s.charge2 += s.visitSum * s.visitSum
	s.mixed += s.visitSum * n
	s.n2 += n * n
	s.visitN, s.visitSum = 0, 0
}

// scatter is the standard uncertainty of the mean, from how visits differ, as a mean of clusters; NaN with fewer than three.
func (s *stateSum) scatter() float64 {
	if s.visits < 3 {
		return math.NaN()
	}
	t := *s
	t.visit()
	n, mean := float64(s.n), s.sum()/float64(s.n)
	v := float64(s.visits)
	return math.Sqrt(max(0, t.charge2-2*mean*t.mixed+mean*mean*t.n2)*v/(v-1)) / n
}

func (s *stateSum) add(rng uint8, t Stats) {
	if t.Count == 0 {
		return
	}
	if s.n == 0 || t.Max > s.peak {
		s.peak = t.Max
	}
	s.n += t.Count
	s.visitN += t.Count
	s.visitSum += t.Sum
	s.ranges[rng].n += t.Count
	s.ranges[rng].sum += t.Sum
	s.product += t.Product
}

func (s *stateSum) addSegment(g *segment, cells []rangeSum) {
	if s.n == 0 || g.peak > s.peak {
		s.peak = g.peak
	}
	s.n += g.n
	s.visitN += g.n
	s.visitSum += g.sum
	s.product += g.product
	for _, c := range cells[g.cells:g.cellsEnd] {
		s.ranges[c.rng].n += c.n
		s.ranges[c.rng].sum += c.sum
	}
}

func (s *stateSum) sum() (sum float64) {
	for _, t := range s.ranges {
		sum += t.sum
	}
	return sum
}

// rangeSum is a part of a segment that was measured in one range.
type rangeSum struct {
	n   int64
	sum float64
	rng uint8
}

// segment is a stretch of an event at one level.
type segment struct {
	n, core         int64   // samples; and those of them at its level, without edges
	sum, product    float64 //
	amps            float64 // the level
	change          float64 // A, from its beginning to its end
	cells, cellsEnd int32
	peak            float32
	flat            bool // neither an edge nor a decay
	state           int16
}

func (g *segment) level() float64 { return g.amps }

// stretch is an event while states are not known yet.
type stretch struct {
	start, end  int64
	first, last int32 // segments; last is behind
	piece       int32
	cut         bool
}

// machine is the second pass: it parts quiet from active samples, and those into segments.
type machine struct {
	f            *floor
	track        track
	quiet, off   stateSum
	level        float64
	enter, leave float32
	lowest       float64
	highest      float64
	tile         Stats
	piece        int32
	next         int64

	active, confirmed, cut bool
	begin                  int64
	below                  int // samples below leave that wait in front of the decision
	wait                   [leaveSamples]waiting
	levels                 levels

	segments []segment
	cells    []rangeSum
	events   []stretch

	last   stretch // the event before, listed or not
	more   surplus
	wanted int // how many activities there may be; 0: as many as are found

	early, earlyVolts []float32
	inQuiet, afterOff bool
}

type waiting struct {
	amps, volts float32
	rng         uint8
}

func newMachine(f *floor, s *scan, ranges, wanted int) *machine {
	m := &machine{f: f, wanted: wanted}
	m.quiet.ranges, m.off.ranges = make([]tally, ranges), make([]tally, ranges)
	m.levels.init(f)
	m.levels.m = m
	m.lowest, m.highest = math.Inf(1), math.Inf(-1)
	m.track = s.track(f)
	start, ok := m.track.start(f.offTo)
	if !ok {
		start = f.amps
	}
	m.setFloor(start)
	return m
}

func (m *machine) setFloor(amps float64) {
	m.level = amps
	m.enter, m.leave = float32(amps+m.f.delta), float32(amps+m.f.back)
	m.lowest, m.highest = min(m.lowest, amps), max(m.highest, amps)
}

func (m *machine) take(c *chunk) error {
	if c.gap > 0 {
		m.breakOff(true)
		m.piece++
	}
	n := len(c.amps)
	run := 0
	m.next = c.start
	for p := 0; p < n; {
		rng, q := c.whereRun(p, &run)
		index := c.start + int64(p)
		switch {
		case index < m.f.offTo || index >= m.f.offFrom:
			if index < m.f.offTo {
				q = int(min(int64(q), m.f.offTo-c.start))
			} else if m.active {
				m.breakOff(false)
			}
			m.off.add(rng, StatsOf(c.amps[p:q], c.voltsOf(p, q)))
			m.inQuiet, m.afterOff = false, true
			p = q
		case !m.active && index >= m.f.offFrom-tileSamples && c.amps[p] <= m.f.offLimit:
			q = p + firstAbove(c.amps[p:min(q, int(m.f.offFrom-c.start))], m.f.offLimit)
			m.off.add(rng, StatsOf(c.amps[p:q], c.voltsOf(p, q)))
			m.inQuiet = false
			p = q
		case !m.active:
			q = min(q, p+followSamples-int(m.tile.Count))
			if m.f.offFrom-c.start < int64(q) {
				q = int(m.f.offFrom - c.start)
			}
			e := p + firstAbove(c.amps[p:q], m.leave)
			m.addQuiet(rng, StatsOf(c.amps[p:e], c.voltsOf(p, e)))
			if e < q {
				m.start(c.start + int64(e))
			}
			p = e
		default:
			if m.f.offFrom-c.start < int64(q) {
				q = int(m.f.offFrom - c.start)
			}
			p = m.during(c, p, q, rng)
		}
		m.next = c.start + int64(p)
	}
	return nil
}

func (m *machine) end() { m.breakOff(true) }

func firstAbove(x []float32, limit float32) int {
	i := 0
	for ; i+4 <= len(x); i += 4 {
		y := x[i : i+4 : i+4]
		if y[0] > limit || y[1] > limit || y[2] > limit || y[3] > limit {
			break
		}
	}
	for ; i < len(x); i++ {
		if x[i] > limit {
			break
		}
	}
	return i
}

func (m *machine) addQuiet(rng uint8, s Stats) {
	if s.Count == 0 {
		return
	}
	if !m.inQuiet {
		m.inQuiet = true
		m.quiet.visit()
	}
	m.quiet.add(rng, s)
	m.tile = m.tile.Plus(s)
	if m.tile.Count >= followSamples {
		if mean := m.tile.Mean(); mean < m.level-m.f.delta { // it has fallen
			m.setFloor(mean)
		} else {
			m.setFloor(m.level + followShare*(mean-m.level))
		}
		m.tile = Stats{}
	}
}

func (m *machine) start(index int64) {
	m.active, m.confirmed, m.below, m.begin = true, false, 0, index
	m.cut = !m.inQuiet && !m.afterOff
	m.levels.begin()
}

// during goes on with an event up to q, or until it ends.
func (m *machine) during(c *chunk, p, q int, rng uint8) int {
	l := &m.levels
	l.inRange(rng)
	for ; p < q; p++ {
		x := c.amps[p]
		var v float32
		if c.volts != nil {
			v = c.volts[p]
		}
		if x < m.leave {
			if !m.confirmed {
				m.revert()
				return p
			}
			m.wait[m.below] = waiting{x, v, rng}
			if m.below++; m.below == leaveSamples {
				m.finish(c.start+int64(p)+1-leaveSamples, false)
				m.drop()
				return p + 1
			}
			continue
		}
		if m.below > 0 {
			m.takeBack()
			l.inRange(rng)
		}
		if x > m.enter {
			m.confirmed = true
		}
		l.push(x, v, c.volts != nil)
		if len(m.segments)-l.first > maxLevels {
			m.breakUp()
		}
		if l.n >= tileSamples && l.n&(tileSamples-1) == 0 && m.settled() {
			return p + 1
		}
	}
	return p
}

// takeBack adds to the event what seemed to be its end.
func (m *machine) takeBack() {
	for _, w := range m.wait[:m.below] {
		m.levels.inRange(w.rng)
		m.levels.push(w.amps, w.volts, m.levels.hasVolts)
	}
	m.below = 0
}

// drop gives the samples that ended an event to the floor.
func (m *machine) drop() {
	for i := range m.below {
		w := m.wait[i]
		m.addQuiet(w.rng, StatsOf([]float32{w.amps}, []float32{w.volts}))
	}
	m.below = 0
}

// settled looks whether the open segment is the floor, which has moved meanwhile. If so the event ended where the segment begins.
func (m *machine) settled() bool {
	l := &m.levels
	s := current(l.amps[l.n-tileSamples : l.n])
	mean := s.Mean()
	if s.spread() > max(1.5*m.f.noise, m.f.back/2) ||
		(mean < m.f.low || mean > m.f.high) && !m.track.near(m.next, mean, m.f.delta) {
		return false
	}
	if !m.confirmed {
		m.revert()
		m.tile = Stats{}
		m.setFloor(mean)
		return true
	}
	open := l.closeOpen()
	m.segments = m.segments[:len(m.segments)-1] // not of the event
	begin, at := m.begin, m.begin
	for i := l.first; i < len(m.segments); i++ {
		at += m.segments[i].n
	}
	if len(m.segments) > l.first {
		m.tidy(l.first)
		m.inQuiet = false
		m.events = append(m.events, stretch{begin, at, int32(l.first), int32(len(m.segments)), m.piece, m.cut})
		m.settle()
		m.noteInrush()
	}
	m.active = false
	if !m.inQuiet {
		m.inQuiet = true
		m.quiet.visit()
	}
	m.quiet.addSegment(&open, m.cells)
	m.cells = m.cells[:open.cells]
	m.tile = Stats{}
	m.setFloor(mean)
	return true
}

// revert gives a stretch that never rose to the level of an event back to the floor.
func (m *machine) revert() {
	l := &m.levels
	l.closeOpen()
	for i := l.first; i < len(m.segments); i++ {
		if !m.inQuiet {
			m.inQuiet = true
			m.quiet.visit()
		}
		m.quiet.addSegment(&m.segments[i], m.cells)
	}
	m.cells, m.segments = m.cells[:l.firstCell], m.segments[:l.first]
	m.active = false
}

// finish ends an event in front of index end.
func (m *machine) finish(end int64, cut bool) {
	l := &m.levels
	l.closeOpen()
	if m.isTail(end) {
		m.revert()
		return
	}
	m.active, m.inQuiet, m.afterOff = false, false, false
	m.split(end, cut)
	m.settle()
	m.noteInrush()
}

// split parts the segments at hand into events wherever one of them is down at the floor, and gives that to the floor.
func (m *machine) split(end int64, cut bool) {
	first := m.levels.first
	at := slices.IndexFunc(m.segments[first:], m.isDip)
	if at < 0 {
		m.tidy(first)
		m.events = append(m.events, stretch{m.begin, end, int32(first), int32(len(m.segments)), m.piece, m.cut || cut})
		return
	}
	all := slices.Clone(m.segments[first:])
	m.segments = m.segments[:first]
	begin := m.begin
	for len(all) > 0 {
		n := slices.IndexFunc(all, m.isDip)
		if n < 0 {
			n = len(all)
		}
		index := begin
		if n > 0 {
			from := len(m.segments)
			for _, g := range all[:n] {
				m.segments = append(m.segments, g)
				index += g.n
			}
			m.tidy(from)
			m.events = append(m.events, stretch{begin, index, int32(from), int32(len(m.segments)), m.piece, m.cut && begin == m.begin || cut && n == len(all)})
		}
		if n < len(all) {
			if n > 0 { // else it goes on
				m.quiet.visit()
			}
			m.inQuiet = n+1 == len(all)
			m.quiet.addSegment(&all[n], m.cells)
			index += all[n].n
			n++
		}
		begin, all = index, all[n:]
	}
}

func (m *machine) isDip(g segment) bool { return g.level() < float64(m.leave) }

// isTail tells whether what seems to be an event is the end of the one before it, which noise lifts above the threshold once more.
func (m *machine) isTail(end int64) bool {
	before := m.last
	if before.end == 0 {
		return false
	}
	if int(before.piece) != int(m.piece) || end-before.end > before.end-before.start {
		return false
	}
	for i := m.levels.first; i < len(m.segments); i++ {
		if float64(m.segments[i].peak) > m.level+2*m.f.delta {
			return false
		}
	}
	return true
}

// breakOff ends whatever goes on, since no sample follows: at a gap, at the end, or where the supply goes off.
func (m *machine) breakOff(cut bool) {
	if m.active {
		if m.confirmed {
			waits := m.below
			m.finish(m.next-int64(waits), cut && waits == 0)
			m.drop()
		} else {
			m.revert()
		}
	}
	m.inQuiet, m.afterOff = false, false
	m.tile = Stats{}
}

func (m *machine) noteInrush() {
	if m.early == nil {
		m.early, m.earlyVolts = m.levels.early, m.levels.earlyVolts
		m.levels.early, m.levels.earlyVolts = nil, nil
		m.levels.earlyDone = true
	}
}
