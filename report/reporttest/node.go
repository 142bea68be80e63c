package reporttest

import (
	"math"

	"fourwire/record"
	"fourwire/record/trace"
)

// node makes the samples of the beacon and keeps account of what it made.
type node struct {
	o        Drain
	n        int64
	gaps     []trace.Gap
	schedule []stretch // in order, joining
	at       int       // stretch under way
	noise    uint64

	coulombs, joules, squares, peak float64
	handovers                       int
	lastRange                       uint8
	states                          []record.DrainState
	ranges                          []record.DrainRange
	events                          []record.DrainEvent
	above                           [120]int64 // samples by the tenth of a decade that their current is in, from 10 nA
	samples                         int64
}

// stretch is from a sample on in a state; event is -1 between events.
type stretch struct {
	from  int64
	state int
	event int
}

func newNode(o Drain, n int64) *node {
	g := &node{o: o, n: n, noise: 0x9e3779b97f4a7c15}
	if o.Gap {
		ms := max(1, int64(0.003/o.Interval))
		g.gaps = []trace.Gap{{Start: n / 5, Count: ms}, {Start: n / 2, Count: max(1, int64(math.Min(20, o.Seconds/30)/o.Interval))}}
	}
	for _, s := range nodeStates {
		g.states = append(g.states, record.DrainState{Name: s.name})
	}
	g.ranges = []record.DrainRange{{FullAmps: 10e-6}, {FullAmps: 1e-3}, {FullAmps: 0.2}}
	g.schedule = []stretch{{0, 0, -1}}
	for k := 0; ; k++ {
		start := 12 + 60*float64(k) + 0.37*math.Sin(float64(k)*1.7)
		parts, kind := nodeReport, 0
		if k%15 == 7 {
			parts, kind = nodeFix, 1
		}
		length := 0.0
		for _, p := range parts {
			length += p.seconds
		}
		if start+length > o.Seconds {
			return g
		}
		g.events = append(g.events, record.DrainEvent{Start: start, Seconds: length, Kind: kind})
		for _, p := range parts {
			g.schedule = append(g.schedule, stretch{int64(math.Round(start / o.Interval)), p.state, k})
			start += p.seconds
		}
		g.schedule = append(g.schedule, stretch{int64(math.Round(start / o.Interval)), 0, -1})
	}
}

// fill makes the samples of a block and notes what they are.
func (g *node) fill(s *trace.Samples) {
	for k := range s.Runs {
		s.Runs[k] = append(s.Runs[k][:0], trace.Run{})
	}
	for at := 0; at < s.Count; {
		index := s.Start + int64(at)
		for g.at+1 < len(g.schedule) && g.schedule[g.at+1].from <= index {
			g.at++
		}
		end := s.Count
		if g.at+1 < len(g.schedule) {
			end = int(min(int64(end), g.schedule[g.at+1].from-s.Start))
		}
		g.stretch(s, at, end, g.schedule[g.at])
		at = end
	}
}

func (g *node) stretch(s *trace.Samples, from, to int, of stretch) {
	amps, dt := nodeStates[of.state].amps, g.o.Interval
	r, spread := uint8(2), amps*0.03
	if of.state == 0 {
		r, spread = 0, 25e-9
	}
	if r != g.lastRange {
		g.handovers++
		g.lastRange = r
	}
	if last := s.Runs[0][len(s.Runs[0])-1]; last.At == from {
		s.Runs[0][len(s.Runs[0])-1].Range = r
	} else if last.Range != r {
		s.Runs[0] = append(s.Runs[0], trace.Run{At: from, Range: r})
	}
	sum, squares, energy, most := 0.0, 0.0, 0.0, 0.0
	for k := from; k < to; k++ {
		g.noise ^= g.noise << 13
		g.noise ^= g.noise >> 7
		g.noise ^= g.noise << 17
		x := amps + spread*(float64(int32(g.noise))+float64(int32(g.noise>>32)))/(1<<31)
		s.Values[0][k] = float32(x)
		sum += x
		squares += x * x
		most = max(most, x)
		if len(s.Values) > 1 {
			v := 3.05 - 0.9*x + 2e-5*float64(int16(g.noise))/(1<<15)
			s.Values[1][k] = float32(v)
			energy += v * x
		}
		if k&63 == 0 {
			g.above[max(0, min(len(g.above)-1, int(10*math.Log10(max(x, 1e-12)/1e-8))))]++
			g.samples++
		}
	}
	if len(s.Values) == 1 {
		energy = 3 * sum
	}
	seconds, coulombs := float64(to-from)*dt, sum*dt
	g.coulombs += coulombs
	g.joules += energy * dt
	g.squares += squares * dt
	g.peak = max(g.peak, most)
	st := &g.states[of.state]
	st.Seconds += seconds
	st.Coulombs += coulombs
	st.PeakAmps = max(st.PeakAmps, most)
	g.ranges[r].Seconds += seconds
	g.ranges[r].Coulombs += coulombs
	if of.event < 0 {
		return
	}
	e := &g.events[of.event]
	e.Coulombs += coulombs
	e.Joules += energy * dt
	e.PeakAmps = max(e.PeakAmps, most)
	e.Parts = append(e.Parts, record.DrainPart{State: of.state, Seconds: seconds, Coulombs: coulombs})
}

// found is what an analysis would say of the trace.
func (g *node) found(name string) *record.Drain {
	seconds := 0.0
	for _, s := range g.states {
		seconds += s.Seconds
	}
	u := 4e-4
	d := &record.Drain{Trace: name, Signal: "i", Volts: "v", ToSeconds: g.o.Seconds,
		Mean:   record.Estimate{Value: g.coulombs / seconds, U: u*g.coulombs/seconds + 1e-9, Biggest: "smu ch1 amps 200 mA gain"},
		Charge: record.Estimate{Value: g.coulombs, U: u*g.coulombs + 1e-9*seconds, Biggest: "smu ch1 amps 200 mA gain"},
		Energy: record.Estimate{Value: g.joules, U: 1.1 * u * g.joules}, RMS: record.Estimate{Value: math.Sqrt(g.squares / seconds), U: u * math.Sqrt(g.squares/seconds)},
		Peak:      record.Estimate{Value: g.peak, U: 6e-4*g.peak + 2e-5},
		FloorAmps: 1.195e-6, EnterAmps: 3.6e-6, LeaveAmps: 1.8e-6,
		Method: "the floor is the 10th percentile of 1 s means; an event begins above 3 times the floor and ends below 1.5 times it, for at least 2 ms",
		States: g.states, Events: g.events, Count: len(g.events), Ranges: g.ranges, Notes: []string{"The last event is cut off by the end of the trace and counts in no kind."},
		Inrush: &record.Inrush{Start: 0.002, Seconds: 0.0008, PeakAmps: 0.182, Coulombs: 5.1e-5}}
	visits := make([]int, len(d.States))
	for _, s := range g.schedule {
		visits[s.state]++
	}
	for k := range d.States {
		s := &d.States[k]
		s.Visits = visits[k]
		s.U = u*s.Coulombs + 1e-9*s.Seconds
		if s.Seconds > 0 {
			s.MeanAmps = s.Coulombs / s.Seconds
		}
		s.Share, s.TimeShare = s.Coulombs/g.coulombs, s.Seconds/seconds
	}
	d.Kinds = []record.DrainKind{{Name: "report", PeriodSeconds: 60, PeriodSpread: 0.52}, {Name: "position fix", PeriodSeconds: 900, PeriodSpread: 0.31}}
	for k := range d.Events {
		e := &d.Events[k]
		e.U, e.MeanAmps = u*e.Coulombs, e.Coulombs/e.Seconds
		kind := &d.Kinds[e.Kind]
		kind.Count++
		kind.MeanSeconds += e.Seconds
		kind.MeanCoulombs += e.Coulombs
		kind.PeakAmps = max(kind.PeakAmps, e.PeakAmps)
	}
	for k := range d.Kinds {
		if n := float64(d.Kinds[k].Count); n > 0 {
			d.Kinds[k].MeanSeconds /= n
			d.Kinds[k].MeanCoulombs /= n
			d.Kinds[k].SpreadCoulombs = 0.004 * d.Kinds[k].MeanCoulombs
		}
	}
	if d.Kinds[1].Count == 1 {
		d.Kinds[1].PeriodSeconds, d.Kinds[1].PeriodSpread, d.Kinds[1].SpreadCoulombs = math.NaN(), math.NaN(), 0
	}
	if d.Kinds[1].Count == 0 {
		d.Kinds = d.Kinds[:1]
	}
	if len(d.Events) > 5000 {
		d.Events = d.Events[:5000]
	}
	for _, s := range g.schedule {
		d.Spans = append(d.Spans, record.DrainSpan{FromIndex: s.from, State: s.state})
	}
	left := g.samples
	for k, n := range g.above {
		if left > 0 {
			d.CCDF = append(d.CCDF, record.CCDFPoint{Amps: 1e-8 * math.Pow(10, float64(k)/10), Above: float64(left) / float64(g.samples)})
		}
		left -= n
	}
	d.Life = g.life(d.Mean.Value)
	d.Against = g.against(d)
	if g.o.Hostile {
		for _, text := range []*string{&d.Method, &d.States[1].Name, &d.Kinds[0].Name, &d.Notes[0], &d.Life[0].Title, &d.Life[0].Dominant, &d.Life[0].Parts[0].Name, &d.Against.Record, &d.Against.Lines[0].What, &d.Against.Lines[0].Judgement} {
			*text = HostileText + *text
		}
	}
	return d
}

func (g *node) life(mean float64) []record.LifeResult {
	hours := 2.4 * 0.93 / (mean + 4e-6)
	return []record.LifeResult{{Title: "Beacon on the lithium primary", Battery: "primary.battery.yaml", Hours: hours, Low: 0.86 * hours, High: 1.13 * hours, MeanAmps: mean, PeakAmps: g.peak,
		UsableCoulomb: 2.4 * 3600 * 0.93, EndedBy: "the cut-off of 2 V at the peak current", Dominant: "tolerance of the capacity, +-10 %",
		Parts: []record.LifePart{{Name: "tolerance of the capacity", Low: 0.9 * hours, High: 1.1 * hours, Share: 0.71}, {Name: "self-discharge, 1..2 % a year", Low: 0.96 * hours, High: 1.04 * hours, Share: 0.26}, {Name: "mean current", Low: 0.998 * hours, High: 1.002 * hours, Share: 0.03}},
		Notes: []string{"A year is 8766 h. The shelf life of 10 years is not reached."}}}
}

// against compares with an earlier firmware that never was.
func (g *node) against(d *record.Drain) *record.Comparison {
	c := &record.Comparison{Record: "../firmware-1.3", Trace: "day"}
	line := func(what, unit string, a, b, u float64) {
		judgement := "no difference"
		if a-b > u {
			judgement = "worse"
		} else if b-a > u {
			judgement = "better"
		}
		c.Lines = append(c.Lines, record.CompareLine{What: what, Unit: unit, A: a, B: b, Difference: a - b, U: u, Judgement: judgement})
	}
	line("mean current", "A", d.Mean.Value, 1.31*d.Mean.Value, 0.01*d.Mean.Value)
	for k, factor := range []float64{1.002, 1.02, 1.55, 0.9} {
		s := d.States[k]
		line("state "+s.Name, "C", s.Coulombs, factor*s.Coulombs, 0.01*s.Coulombs)
	}
	before := 1.0
	for _, p := range d.CCDF {
		before = math.Min(before, p.Above*(1+0.6*math.Min(1, math.Max(0, math.Log10(p.Amps/1e-5)))))
		c.CCDF = append(c.CCDF, record.CCDFPoint{Amps: p.Amps, Above: before})
	}
	return c
}
