package drain

import (
	"fmt"
	"math"
	"slices"

	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// result makes the tables of both passes.
func (a *analysis) result(s *scan, m *machine) *Result {
	f, in, dt := m.f, a.inputs(), a.o.IntervalSeconds
	r := &Result{
		IntervalSeconds: dt, From: s.from, To: s.to, Samples: s.samples, Missing: s.missing, Gaps: s.gaps, GapCount: s.gapCount,
		Seconds: float64(s.samples) * dt, Ledger: a.o.Ledger, in: in, Min: float64(s.total.Min), Histogram: s.histogram, CCDF: s.histogram.CCDF(),
	}
	whole := make([]tally, len(s.cells))
	for i, c := range s.cells {
		whole[i] = tally{c.n, c.sum}
		if c.n > 0 && i < len(a.o.Ranges) {
			r.Ranges = append(r.Ranges, RangeShare{i, a.o.Ranges[i].Full, float64(c.n) * dt, c.sum * dt})
		}
	}
	r.Charge = in.charge(whole)
	r.Mean = measured.Map(r.Charge.X/r.Seconds, quantity.Current, r.Charge, 1/r.Seconds)
	r.Energy = in.energy(s.cells, s.volts, a.o.NominalVolts)
	r.RMS = in.rms(s.cells, s.total)
	r.Peak = in.sample(float64(s.total.Max), s.peakRange)
	r.Thresholds = Thresholds{
		FloorAmps: f.amps, NoiseAmps: f.noise, EnterAmps: f.amps + f.delta, LeaveAmps: f.amps + f.back,
		LowestAmps: m.lowest, HighestAmps: m.highest, LeaveSamples: leaveSamples, Method: f.words,
	}
	if s.missing > 0 {
		r.Notes = append(r.Notes, fmt.Sprintf("%d samples (%.3g s) are missing in %d gaps; nothing was put in their place, and events beside them are cut", s.missing, float64(s.missing)*dt, s.gapCount))
	}
	if len(a.o.Ranges) == 0 {
		r.Notes = append(r.Notes, "no error of a measuring range is known: figures have no uncertainty from the instrument")
	}

	clusters := m.more.clusters
	if clusters == nil {
		clusters = m.clusters(m.wanted)
	}
	m.assign(clusters, 0)
	a.states(r, m, clusters, in, s.volts)
	if len(clusters) > 0 {
		r.Thresholds.Method += fmt.Sprintf("; levels of activity were parted at the valleys of the density of their logarithms, over %d levels", len(m.segments))
	}
	if r.GapCount > len(r.Gaps) {
		r.Notes = append(r.Notes, fmt.Sprintf("only the first %d of %d gaps are listed", len(r.Gaps), r.GapCount))
	}
	if r.More = m.more.events; r.More > 0 {
		r.Notes = append(r.Notes, fmt.Sprintf("%d events more than the first %d are counted in the states only: kinds and the run of states are of the first ones", r.More, len(r.Events)))
	}
	if m.more.broken > 0 {
		r.Notes = append(r.Notes, fmt.Sprintf("an event of more than %d levels is told in parts, %d times", maxLevels, m.more.broken))
	}
	members := sortKinds(r.Events)
	for i, k := range members {
		r.Kinds = append(r.Kinds, a.kind(in, i, r.Events, k, len(r.States)))
	}
	var cut int
	for i := range r.Events {
		if r.Events[i].Cut {
			cut++
		}
	}
	if cut > 0 {
		r.Notes = append(r.Notes, fmt.Sprintf("%d events are cut by a gap or an end of the recording; they count in charge and time, not in kinds", cut))
	}
	a.inrush(r, m)
	a.statistics(r)
	return r
}

// states fills the tables of states, events and spans.
func (a *analysis) states(r *Result, m *machine, clusters []cluster, in *inputs, volts bool) {
	dt := a.o.IntervalSeconds
	found := []*stateSum{}
	if m.off.n > 0 {
		m.off.visits = 1
		found = append(found, &m.off)
	}
	base := len(found)
	found = append(found, &m.quiet)
	for i := range clusters {
		if m.more.sums != nil {
			found = append(found, &m.more.sums[i])
			continue
		}
		found = append(found, &stateSum{ranges: make([]tally, len(m.quiet.ranges))})
	}
	for _, e := range m.events {
		m.count(e, func(state int16) *stateSum { return found[base+1+int(state)] })
	}
	levels := make([]float64, len(found))
	for i, t := range found {
		levels[i] = t.sum() / float64(t.n)
	}
	names := a.naming(base > 0, levels, len(clusters))
	r.Notes = append(r.Notes, names.notes...)
	sums := make([]stateSum, len(names.names))
	for i, t := range found {
		to := &sums[names.index[i]]
		if to.ranges == nil {
			to.ranges = make([]tally, len(t.ranges))
		}
		for k, c := range t.ranges {
			to.ranges[k].n += c.n
			to.ranges[k].sum += c.sum
		}
		if to.n == 0 || t.n > 0 && t.peak > to.peak {
			to.peak = t.peak
		}
		to.n, to.product, to.visits = to.n+t.n, to.product+t.product, to.visits+t.visits
		rest := *t
		rest.visit() // the last one
		to.charge2, to.mixed, to.n2 = to.charge2+rest.charge2, to.mixed+rest.mixed, to.n2+rest.n2
	}
	for i, t := range sums {
		st := State{
			Name: names.names[i], Samples: t.n, Seconds: float64(t.n) * dt, Charge: in.charge(t.ranges), Energy: a.joules(t.product, t.sum(), volts),
			PeakAmps: float64(t.peak), Visits: t.visits, TimeShare: float64(t.n) / float64(r.Samples),
		}
		if t.n > 0 {
			st.Amps = t.sum() / float64(t.n)
		}
		if r.Charge.X != 0 {
			st.Share = st.Charge.X / r.Charge.X
		}
		r.States = append(r.States, st)
		scatter := t.scatter()
		if i == names.index[base] && t.n > 0 { // at least the noise it has
			scatter = max(m.f.noise/math.Sqrt(float64(t.n)), orZero(scatter))
		}
		r.levelErrors = append(r.levelErrors, scatter)
	}
	a.events(r, m, names.index[base+1:], volts)
	a.spans(r, m, names.index, base)
}

func orZero(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

func (a *analysis) joules(product, sum float64, volts bool) float64 {
	switch {
	case volts:
		return product * a.o.IntervalSeconds
	case a.o.NominalVolts > 0:
		return sum * a.o.NominalVolts * a.o.IntervalSeconds
	}
	return math.NaN()
}

func (a *analysis) events(r *Result, m *machine, index []int, volts bool) {
	dt := a.o.IntervalSeconds
	parts := make([]Part, 0, len(m.segments))
	r.Events = make([]Event, 0, len(m.events))
	for _, e := range m.events {
		s := m.segments[e.first:e.last]
		if len(s) == 0 {
			continue
		}
		ev := Event{Start: e.start, Kind: -1, Cut: e.cut, piece: int(e.piece), charges: m.cells[s[0].cells:s[len(s)-1].cellsEnd]}
		from := len(parts)
		var sum, product float64
		peak := s[0].peak
		for i := range s {
			g := &s[i]
			sum, product, peak = sum+g.sum, product+g.product, max(peak, g.peak)
			ev.Samples += g.n
			state := index[g.state]
			at := slices.IndexFunc(parts[from:], func(p Part) bool { return p.State == state })
			if at < 0 {
				at = len(parts) - from
				parts = append(parts, Part{State: state})
			}
			p := &parts[from+at]
			p.Samples += g.n
			p.Coulombs += g.sum * dt
			p.Seconds = float64(p.Samples) * dt
		}
		ev.Parts = parts[from:len(parts):len(parts)]
		ev.Seconds, ev.Coulombs, ev.Joules = float64(ev.Samples)*dt, sum*dt, a.joules(product, sum, volts)
		ev.PeakAmps, ev.MeanAmps = float64(peak), sum/float64(ev.Samples)
		r.Events = append(r.Events, ev)
	}
}

// spans gives the run lengths of states, the shortest ones joined to what is before them while there are too many.
func (a *analysis) spans(r *Result, m *machine, index []int, base int) {
	var all []Span
	put := func(from int64, state int) {
		if n := len(all); n > 0 && all[n-1].From == from {
			all = all[:n-1]
		}
		if n := len(all); n > 0 && all[n-1].State == state {
			return
		}
		all = append(all, Span{from, state})
	}
	quiet := index[base]
	at := r.From
	gap := 0
	rest := func(to int64) { // what is between events up to to
		for at < to {
			if gap < len(r.Gaps) && r.Gaps[gap].Start <= at {
				put(at, -1)
				at = r.Gaps[gap].Start + r.Gaps[gap].Count
				gap++
				continue
			}
			end := to
			if gap < len(r.Gaps) {
				end = min(end, r.Gaps[gap].Start)
			}
			switch {
			case at < m.f.offTo:
				put(at, index[0])
				end = min(end, m.f.offTo)
			case at >= m.f.offFrom:
				put(at, index[0])
			default:
				put(at, quiet)
				end = min(end, m.f.offFrom)
			}
			at = end
		}
	}
	for _, e := range m.events {
		rest(e.start)
		for i := e.first; i < e.last; i++ {
			put(at, index[base+1+int(m.segments[i].state)])
			at += m.segments[i].n
		}
	}
	if m.more.events > 0 && at < r.To {
		put(at, -1)
		at = r.To
	}
	rest(r.To)
	if before := len(all); before > MaxSpans {
		all = thinned(all, r.To, MaxSpans)
		r.Merged = before - len(all)
		r.Notes = append(r.Notes, fmt.Sprintf("the run of states has %d stretches; %d short ones were joined to what is before them", before, r.Merged))
	}
	r.Spans = all
}

// thinned joins short spans to what is before them until most are left: all below a length, which doubles, and of those of the last length
// some, spread over the whole. Gaps stay.
func thinned(all []Span, end int64, most int) []Span {
	for shortest := int64(1); len(all) > most && shortest <= end; shortest *= 2 {
		short := func(i int) bool {
			return i > 0 && all[i].State >= 0 && spanEnd(all, i, end)-all[i].From <= shortest
		}
		saves := func(i int) int { // one that stands between two of one state joins them
			if i+1 < len(all) && all[i-1].State == all[i+1].State {
				return 2
			}
			return 1
		}
		possible := 0
		for i := range all {
			if short(i) {
				possible += saves(i)
			}
		}
		if possible == 0 {
			continue
		}
		wanted := min(len(all)-most, possible)
		seen, saved := 0, 0
		var out []Span
		for i, s := range all {
			goes := false
			if short(i) {
				n := saves(i)
				seen += n
				if goes = saved < (seen*wanted+possible-1)/possible; goes {
					saved += n
				}
			}
			if goes || len(out) > 0 && out[len(out)-1].State == s.State {
				continue
			}
			out = append(out, s)
		}
		all = out
	}
	return all[:min(len(all), most)]
}

func spanEnd(s []Span, i int, end int64) int64 {
	if i+1 < len(s) {
		return s[i+1].From
	}
	return end
}

// EventCharge is the charge of one event with its uncertainty from the ranges it was measured in.
func (r *Result) EventCharge(i int) measured.Value {
	ranges := make([]tally, len(r.in.gain))
	if len(ranges) == 0 {
		ranges = make([]tally, 1)
	}
	for _, c := range r.Events[i].charges {
		ranges[c.rng].n += c.n
		ranges[c.rng].sum += c.sum
	}
	return r.in.charge(ranges)
}
