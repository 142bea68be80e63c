package drain

import (
	"math"
	"slices"
)

const (
	bufferSamples = 1 << 16
	rampPart      = 0.4 // of the step to a neighbour
	alike         = 0.1 // neighbours that differ by less are one level
	levelSamples  = 4   // an event that is shorter has one level
	slackSigmas   = 1.0 // of the cumulative sum: shifts of twice that are found fastest
	sumSigmas     = 5.0 // a false change in some ten thousand samples, which joining what is alike takes back
)

// levels parts the samples of an event where their level changes, by a two-sided cumulative sum of their distance from the running mean
// (E. S. Page, 1954), in units of the noise at that level. A change is put where the sum last was zero.
type levels struct {
	m      *machine
	noises *[coarseBins]float32

	amps, volts []float32 // of the open segment
	n           int
	hasVolts    bool
	runs        []Run // in the buffer
	rng         uint8

	seen         int64 // samples in the open segment, folded ones too
	mean, inv    float64
	up, down     float64
	upAt, downAt int // where the sums last were zero
	nextScale    int64
	first        int // segment of the event
	firstCell    int
	folded       segment
	foldedCells  []rangeSum
	early        []float32
	earlyVolts   []float32
	earlyDone    bool
	reciprocals  [257]float64
}

func (l *levels) init(f *floor) {
	l.noises = &f.noises
	l.amps, l.volts = make([]float32, bufferSamples), make([]float32, bufferSamples)
	for i := 1; i < len(l.reciprocals); i++ {
		l.reciprocals[i] = 1 / float64(i)
	}
}

func (l *levels) begin() {
	l.n, l.runs, l.seen = 0, l.runs[:0], 0
	l.first, l.firstCell = len(l.m.segments), len(l.m.cells)
	l.folded, l.foldedCells = segment{}, l.foldedCells[:0]
	l.up, l.down, l.upAt, l.downAt = 0, 0, 0, 0
	if !l.earlyDone {
		l.early, l.earlyVolts = l.early[:0], l.earlyVolts[:0]
	}
}

// inRange says in which range the samples that follow were measured.
func (l *levels) inRange(rng uint8) {
	if n := len(l.runs); n == 0 || l.runs[n-1].Range != rng {
		l.runs = append(l.runs, Run{l.n, rng})
	}
	l.rng = rng
}

func (l *levels) push(x, v float32, hasVolts bool) {
	if l.n == bufferSamples {
		l.fold()
	}
	l.amps[l.n] = x
	if l.hasVolts = hasVolts; hasVolts {
		l.volts[l.n] = v
	}
	l.n++
	if !l.earlyDone && len(l.early) < earlySamples {
		l.early = append(l.early, x)
		if hasVolts {
			l.earlyVolts = append(l.earlyVolts, v)
		}
	}
	if l.seen == 0 {
		l.mean, l.seen, l.nextScale = float64(x), 1, 1
		l.scale()
		l.up, l.down, l.upAt, l.downAt = 0, 0, l.n, l.n
		return
	}
	d := float64(x) - l.mean
	z := d * l.inv
	if l.up += z - slackSigmas; l.up <= 0 {
		l.up, l.upAt = 0, l.n
	}
	if l.down -= z + slackSigmas; l.down <= 0 {
		l.down, l.downAt = 0, l.n
	}
	if l.up > sumSigmas {
		l.change(l.upAt)
		return
	}
	if l.down > sumSigmas {
		l.change(l.downAt)
		return
	}
	l.seen++
	if l.seen < int64(len(l.reciprocals)) {
		l.mean += d * l.reciprocals[l.seen]
	} else {
		l.mean += d * l.reciprocals[len(l.reciprocals)-1]
	}
	if l.seen == l.nextScale {
		l.scale()
	}
}

// scale takes the noise at the present mean, and that of the mean itself.
func (l *levels) scale() {
	l.inv = 1 / (float64(l.noises[coarse(float32(math.Abs(l.mean)))]) * math.Sqrt(1+1/float64(l.seen)))
	l.nextScale = 2 * l.seen
}

// change ends the open segment at offset at of the buffer; what follows begins the next one.
func (l *levels) change(at int) {
	l.close(at)
	rest := l.n - at
	copy(l.amps, l.amps[at:l.n])
	if l.hasVolts {
		copy(l.volts, l.volts[at:l.n])
	}
	l.cutRuns(at)
	l.n, l.seen = rest, int64(rest)
	l.mean = current(l.amps[:rest]).Mean()
	l.scale()
	l.nextScale = 1
	for l.nextScale <= l.seen {
		l.nextScale *= 2
	}
	l.up, l.down, l.upAt, l.downAt = 0, 0, rest, rest
}

func (l *levels) cutRuns(at int) {
	out := l.runs[:0]
	for i, r := range l.runs {
		if i+1 < len(l.runs) && l.runs[i+1].At <= at {
			continue
		}
		out = append(out, Run{max(0, r.At-at), r.Range})
	}
	l.runs = out
}

// fold makes room in the buffer: the part of the open segment before anything suspicious is kept as sums.
func (l *levels) fold() {
	at := min(l.upAt, l.downAt)
	if at < bufferSamples/4 { // for long nearly a change: let it be one
		at = max(l.upAt, l.downAt, bufferSamples/2)
		if at >= l.n {
			at = bufferSamples / 2
		}
		l.change(at)
		return
	}
	at = min(at, l.n-tileSamples)
	l.sums(&l.folded, at, func(r rangeSum) { l.foldedCells = appendCell(l.foldedCells, r) })
	copy(l.amps, l.amps[at:l.n])
	if l.hasVolts {
		copy(l.volts, l.volts[at:l.n])
	}
	l.cutRuns(at)
	l.n -= at
	l.upAt, l.downAt = max(0, l.upAt-at), max(0, l.downAt-at)
}

func appendCell(cells []rangeSum, r rangeSum) []rangeSum {
	for i := range cells {
		if cells[i].rng == r.rng {
			cells[i].n += r.n
			cells[i].sum += r.sum
			return cells
		}
	}
	return append(cells, r)
}

// sums adds the first at samples of the buffer.
func (l *levels) sums(g *segment, at int, give func(rangeSum)) {
	for i, r := range l.runs {
		end := at
		if i+1 < len(l.runs) {
			end = min(end, l.runs[i+1].At)
		}
		if r.At >= end {
			continue
		}
		var volts []float32
		if l.hasVolts {
			volts = l.volts[r.At:end]
		}
		s := StatsOf(l.amps[r.At:end], volts)
		if g.n == 0 || s.Max > g.peak {
			g.peak = s.Max
		}
		g.n += s.Count
		g.sum += s.Sum
		g.product += s.Product
		give(rangeSum{s.Count, s.Sum, r.Range})
	}
}

// close appends the first at samples of the buffer, and what was folded, as a segment.
func (l *levels) close(at int) {
	m := l.m
	g := l.folded
	g.cells = int32(len(m.cells))
	m.cells = append(m.cells, l.foldedCells...)
	long := g.n > 0
	base := int(g.cells)
	l.sums(&g, at, func(r rangeSum) {
		m.cells = append(m.cells[:base], appendCell(m.cells[base:], r)...)
	})
	l.folded, l.foldedCells = segment{}, l.foldedCells[:0]
	if g.n == 0 {
		return
	}
	g.cellsEnd, g.core, g.amps = int32(len(m.cells)), g.n, g.sum/float64(g.n)
	g.flat = true
	if !long {
		g.flat, g.change = l.shape(l.amps[:at])
	}
	m.segments = append(m.segments, g)
}

// shape tells by how much the level may change from beginning to end, from the means of its halves and their noise, and whether a few
// samples agree at all.
func (l *levels) shape(x []float32) (flat bool, change float64) {
	if len(x) < 2 {
		return false, 0
	}
	h := len(x) / 2
	a, b := current(x[:h]).Mean(), current(x[len(x)-h:]).Mean()
	noise := float64(l.noises[coarse(float32(math.Abs(a+b)/2))]) * math.Sqrt(2/float64(h))
	d := b - a
	flat = math.Abs(d) <= max(alike*math.Abs(a+b)/2, 4*noise)
	return flat, math.Copysign(max(0, math.Abs(d)-2*noise)*float64(len(x))/float64(len(x)-h)+2*noise, d)
}

// closeOpen closes what is open and gives it; an empty one if nothing is.
func (l *levels) closeOpen() segment {
	before := len(l.m.segments)
	l.close(l.n)
	l.n, l.seen, l.runs = 0, 0, l.runs[:0]
	if len(l.m.segments) == before {
		return segment{}
	}
	return l.m.segments[before]
}

// tidy joins the segments of an event that are no levels of their own: samples that straddle an edge, single outliers, and neighbours
// that do not differ.
func (m *machine) tidy(first int) {
	s := m.segments[first:]
	if len(s) < 2 {
		s[0].flat = true
		return
	}
	s = m.trim(s)
	if coreOf(s) < levelSamples {
		for len(s) > 1 {
			n, sum := s[0].core+s[1].core, s[0].amps*float64(s[0].core)+s[1].amps*float64(s[1].core)
			joinTo(&s[0], &s[1])
			s[0].core, s[0].amps = n, sum/float64(n)
			s = slices.Delete(s, 1, 2)
		}
		s[0].flat, s[0].change = true, 0
	}
	out := s[:1]
	for i := 1; i < len(s); i++ {
		out = append(out, s[i])
		for m.joinLast(&out, i+1 < len(s)) {
		}
	}
	m.plateaus(out)
	m.segments = m.segments[:first+len(out)]
}

// trim takes what is not above the threshold at both ends, noise or a slow rise or fall, to the segment beside it.
func (m *machine) trim(s []segment) []segment {
	for len(s) > 1 && s[0].level() < float64(m.enter) { // noise in front of an event, or a slow rise
		joinTo(&s[0], &s[1])
		s = slices.Delete(s, 1, 2)
	}
	for len(s) > 1 && s[len(s)-1].level() < float64(m.enter) {
		joinInto(&s[len(s)-2], &s[len(s)-1])
		s = s[:len(s)-1]
	}
	return s
}

func coreOf(s []segment) (n int64) {
	for i := range s {
		n += s[i].core
	}
	return n
}

// plateaus finds which segments are levels that the current stays at: peaks and dips, and of those between their neighbours what does
// not itself change by about as much as it differs from them, as a step of a rise or a decay does. Where none is left, the one with most of the charge is.
func (m *machine) plateaus(s []segment) {
	most, any := 0, false
	for i := range s {
		before, behind := m.level, m.level
		if i > 0 {
			before = s[i-1].level()
		}
		if i+1 < len(s) {
			behind = s[i+1].level()
		}
		step := min(math.Abs(s[i].level()-before), math.Abs(s[i].level()-behind))
		switch {
		case !between(s[i].level(), before, behind):
			s[i].flat = true
		case s[i].core == 1:
			s[i].flat = false
		default:
			s[i].flat = math.Abs(s[i].change) < rampPart*step
		}
		any = any || s[i].flat
		if s[i].sum > s[most].sum {
			most = i
		}
	}
	if !any {
		s[most].flat = true
	}
}

// joinLast looks at the end of the list; it tells whether it joined anything.
func (m *machine) joinLast(list *[]segment, more bool) bool {
	s := *list
	n := len(s)
	if n < 2 {
		return false
	}
	last, prev := &s[n-1], &s[n-2]
	a, b := prev.level(), last.level()
	noise := float64(m.f.noises[coarse(float32(max(math.Abs(a), math.Abs(b))))])
	if math.Abs(a-b) <= max(alike*math.Abs(b), 5*noise*math.Sqrt(1/float64(prev.core)+1/float64(last.core))) {
		joinAlike(prev, last)
		*list = s[:n-1]
		return true
	}
	// prev as an edge between what is before it and last
	if isEdge(prev) {
		before := m.level
		if n > 2 {
			before = s[n-3].level()
		}
		if between(a, before, b) {
			if n > 2 && nearer(a, before, b) {
				join(&s[n-3], prev)
				s[n-2] = *last
			} else {
				joinTo(prev, last)
			}
			*list = s[:n-1]
			return true
		}
		if n > 2 && prev.core == 1 && math.Abs(before-b) <= max(0.1*math.Abs(b), 5*noise) && between(a/b, 0.67, 1.5) { // a single outlier
			join(&s[n-3], prev)
			joinAlike(&s[n-3], last)
			*list = s[:n-2]
			return true
		}
	}
	if !more && isEdge(last) && between(b, a, m.level) {
		joinInto(prev, last)
		*list = s[:n-1]
		return true
	}
	return false
}

func isEdge(g *segment) bool { return g.core == 1 || g.core == 2 && !g.flat }

func between(x, a, b float64) bool { return min(a, b) < x && x < max(a, b) }

func nearer(x, a, b float64) bool {
	a, b, x = max(a, 1e-12), max(b, 1e-12), max(x, 1e-12)
	return math.Abs(math.Log(x/a)) < math.Abs(math.Log(x/b))
}

// join adds b, which follows a, to a; the level stays that of the longer one.
func join(a, b *segment) {
	if b.core > a.core {
		joinTo(a, b)
		return
	}
	joinInto(a, b)
}

// joinInto joins a, which gives the level, and b, which follows it.
func joinInto(a, b *segment) {
	level, core, flat, change := a.amps, a.core, a.flat, a.change
	joinTo(a, b)
	a.amps, a.core, a.flat, a.change = level, core, flat, change
}

// joinTo joins a and b, which follows it and gives the level.
func joinTo(a, b *segment) {
	a.n += b.n
	a.sum += b.sum
	a.product += b.product
	a.peak = max(a.peak, b.peak)
	a.cellsEnd = b.cellsEnd
	a.amps, a.core, a.flat, a.change = b.amps, b.core, b.flat, b.change
}

// joinAlike joins neighbours of one level.
func joinAlike(a, b *segment) {
	n, flat := a.core+b.core, a.flat || b.flat || a.core+b.core > 2
	level := (a.amps*float64(a.core) + b.amps*float64(b.core)) / float64(n)
	change := b.amps + b.change/2 - (a.amps - a.change/2)
	switch { // what rounds the edges of a long one says nothing of it
	case a.core > 3*b.core:
		change, level = a.change, a.amps
	case b.core > 3*a.core:
		change, level = b.change, b.amps
	}
	joinTo(a, b)
	a.amps, a.core, a.flat, a.change = level, n, flat, change
}
