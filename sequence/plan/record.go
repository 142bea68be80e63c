package plan

import (
	"fmt"
	"math"
	"time"

	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/quantity"
	"fourwire/sequence"
)

// BlockSamples, LeastBlock and MostBlock say how a recording is fetched: in blocks of so many samples, but no less than the least and no
// more than the most in time. A guard on what is recorded is seen so late at most; the protection of the channel is quicker.
const (
	BlockSamples = 4096
	LeastBlock   = 250 * time.Millisecond
	MostBlock    = 5 * time.Second
)

// Block is how many samples are fetched at a time where one is taken every so often.
func Block(every time.Duration) int {
	if every <= 0 {
		return BlockSamples
	}
	span := min(max(BlockSamples*every, LeastBlock), MostBlock)
	return max(1, int(span/every))
}

// Recording is a record step with what it asks of its channel.
type Recording struct {
	Step      *sequence.Record
	Role      int           // of the recorder
	Every     time.Duration // from one sample to the next
	MostAmps  float64       // that its ranges must reach; NaN: the largest
	VoltsFull float64       // that its range of volts must hold; NaN: the largest
	Samples   int64         // that it takes; 0: its steps decide
	Pause     time.Duration // longest time in which nothing is fetched
}

// Recording finds what the plan knows of a record step; nil where it is none of this plan.
func (p *Plan) Recording(s *sequence.Record) *Recording {
	for i := range p.Recordings {
		if p.Recordings[i].Step == s {
			return &p.Recordings[i]
		}
	}
	return nil
}

// recordings collects the record steps and what each asks.
func (c *binder) recordings() {
	p := c.plan
	p.Recordings = nil
	eachStep(p.Sequence.Steps, func(s sequence.Step) {
		rec, ok := s.(*sequence.Record)
		if !ok {
			return
		}
		one := Recording{Step: rec, Role: p.RoleIndex(rec.Role), Every: interval(rec.Every.SI), MostAmps: math.NaN(), VoltsFull: math.NaN()}
		if rec.MostSeconds > 0 && one.Every > 0 {
			one.Samples = int64(math.Round(rec.MostSeconds / one.Every.Seconds()))
		}
		eachStep(rec.Steps, func(inner sequence.Step) {
			switch inner := inner.(type) {
			case *sequence.Measure:
				one.Pause = max(one.Pause, apertureOf(inner), seconds(inner.Burst.For.SI))
			case *sequence.Emulate:
				one.Pause = max(one.Pause, min(seconds(inner.Every.SI), DefaultAperture))
			}
		})
		if one.Role >= 0 {
			one.MostAmps, one.VoltsFull = c.recordedMost(p.Roles[one.Role])
		}
		p.Recordings = append(p.Recordings, one)
	})
}

// interval is a time between samples, to the nanosecond.
func interval(seconds float64) time.Duration {
	if !(seconds > 0) || seconds > 1e6 {
		return 0
	}
	return time.Duration(math.Round(seconds * 1e9))
}

// recordedMost is the largest current and voltage that a recorder may see: what its need says, what the guard of its node allows, and what
// a source there is asked for.
func (c *binder) recordedMost(r Role) (amps, volts float64) {
	amps, volts = math.NaN(), math.NaN()
	take := func(into *float64, s quantity.Span) {
		if x := math.Abs(widest(s)); !none(x) && !math.IsInf(x, 0) && !(x <= *into) {
			*into = x
		}
	}
	for _, other := range c.plan.Roles {
		if other.Need.Node != r.Need.Node {
			continue
		}
		take(&amps, other.Need.Amps)
		take(&volts, other.Need.Volts)
	}
	take(&amps, r.Guard.Amps)
	take(&volts, r.Guard.Volts)
	return amps, volts
}

// eachStep visits every step of a list and of the lists in it.
func eachStep(steps []sequence.Step, visit func(sequence.Step)) {
	for _, s := range steps {
		visit(s)
		switch s := s.(type) {
		case *sequence.Sweep:
			eachStep(s.Steps, visit)
		case *sequence.Repeat:
			eachStep(s.Steps, visit)
		case *sequence.When:
			eachStep(s.Then, visit)
			eachStep(s.Else, visit)
		case *sequence.Record:
			eachStep(s.Steps, visit)
		case *sequence.Capture:
			eachStep(s.Steps, visit)
		case *sequence.Rails:
			eachStep(s.Steps, visit)
		case *sequence.Emulate:
			eachStep(s.Steps, visit)
		}
	}
}

// recorderMargins holds a channel against everything that is to be recorded with it.
func (c *binder) recorderMargins(cand *Candidate, ch *model.Channel, i int) {
	spec, need := ch.Records, c.plan.Roles[i].Need
	if spec == nil {
		cand.Why = "its model says nothing of recording"
		return
	}
	if !spec.Amps {
		cand.Why = "it records no current"
		return
	}
	var m margins
	for k := range c.plan.Recordings {
		rec := &c.plan.Recordings[k]
		if rec.Role != i || rec.Every <= 0 {
			continue
		}
		if len(rec.Step.Signals) > 1 && !(spec.Together && spec.Volts) {
			cand.Why = "it does not record current and voltage together"
			return
		}
		at := rec.Step.Trace
		m.interval(spec, at, rec.Every)
		if spec.Depth > 0 {
			has := time.Duration(float64(spec.Depth) * float64(rec.Every))
			if limit := 100 * 365 * 24 * time.Hour; float64(spec.Depth)*float64(rec.Every) > float64(limit) {
				has = limit
			}
			wants := 2 * (rec.Pause + time.Duration(Block(rec.Every))*rec.Every)
			m.enough("buffer", at, 1-float64(wants)/float64(has), "%d samples at %s hold %s; twice the longest pause between two fetches is %s",
				spec.Depth, second(rec.Every), roughly(has.Seconds()), roughly(wants.Seconds()))
		}
		if len(rec.Step.Signals) > 1 && !none(rec.VoltsFull) && len(ch.Volts) > 0 {
			m.within("range", at, rec.VoltsFull, top(ch.Volts), quantity.Voltage)
		}
	}
	most := widest(need.Amps)
	if none(most) {
		most, _ = c.recordedMost(c.plan.Roles[i])
	}
	if len(ch.Amps) > 0 {
		m.within("range", "", most, top(ch.Amps), quantity.Current)
	}
	cand.Margins = m.sorted()
}

// interval holds the time between samples against what a channel can do.
func (m *margins) interval(spec *model.Records, at string, every time.Duration) {
	if spec.Least > 0 {
		m.enough("interval", at, 1-float64(spec.Least)/float64(every), "one sample every %s; it takes one every %s at the fastest", second(every), second(spec.Least))
	}
	if spec.Most > 0 && every > spec.Most {
		m.enough("interval", at, float64(spec.Most)/float64(every)-1, "one sample every %s; it takes one every %s at the slowest", second(every), second(spec.Most))
	}
	if spec.Grid > 0 && every%spec.Grid != 0 {
		m.enough("interval", at, -1, "one sample every %s; intervals are whole multiples of %s", second(every), second(spec.Grid))
	}
}

func second(d time.Duration) quantity.Quantity { return quantity.Of(d.Seconds(), quantity.Time) }

// checkRecordings looks at what is read while a channel records: from a channel that records, only what it records can be read.
func (c *binder) checkRecordings() {
	p := c.plan
	complained := map[diag.Place]bool{}
	for k := range p.Recordings {
		rec := &p.Recordings[k]
		if rec.Role < 0 || p.Roles[rec.Role].Channel == (Channel{}) {
			continue
		}
		ch := p.Roles[rec.Role].Channel
		look := func(f sequence.Function, node string, at diag.Place) {
			g := p.GaugeIndex(f, node)
			if g < 0 || p.Gauges[g].Channel.Instrument != ch.Instrument || rec.records(f, node) || complained[at] {
				return
			}
			complained[at] = true
			c.found.AddHint(at, fmt.Sprintf("record it, too: of: {..., %s: %s(%s)}", f, f, node), "%s(%s) is read by %s, which records meanwhile and takes no readings besides", f, node, p.Gauges[g].Channel)
		}
		eachStep(rec.Step.Steps, func(s sequence.Step) {
			switch s := s.(type) {
			case *sequence.Measure:
				for _, r := range s.Readings {
					look(r.Function, r.Node, r.Place)
				}
			case *sequence.Emulate:
				for _, r := range s.Reads {
					look(r.Function, r.Node, r.Place)
				}
			case *sequence.Settle:
				for _, n := range s.Value.Nodes() {
					look(sequence.Function(n.Function), n.Node, s.At())
				}
			case *sequence.Check:
				for _, n := range s.Value.Nodes() {
					look(sequence.Function(n.Function), n.Node, s.At())
				}
			case *sequence.When:
				for _, n := range s.If.Nodes() {
					look(sequence.Function(n.Function), n.Node, s.At())
				}
			case *sequence.Zero:
				for _, r := range s.Readings {
					look(r.Function, r.Node, r.Place)
				}
			}
		})
	}
}

// records tells whether a recording holds a node measurement.
func (rec *Recording) records(f sequence.Function, node string) bool {
	for _, s := range rec.Step.Signals {
		if s.Function == f && s.Node == node {
			return true
		}
	}
	return false
}

// recordNotes says before the run how large a recording gets, and how well a mean current will be known.
func (c *binder) recordNotes() {
	p := c.plan
	for k := range p.Recordings {
		rec := &p.Recordings[k]
		if rec.Role < 0 || rec.Samples == 0 {
			continue
		}
		p.Fit.Notes = append(p.Fit.Notes, fmt.Sprintf("%s: %d samples of %d signals, up to %d MB on the disk while it is recorded", rec.Step.Trace, rec.Samples, len(rec.Step.Signals), 1+rec.Bytes()>>20))
	}
	for i := range p.Roles {
		r := &p.Roles[i]
		ch := c.channel(r.Channel)
		if r.Need.Role != sequence.RoleRecorder || ch == nil || len(ch.Amps) == 0 {
			continue
		}
		highest := math.Abs(widest(r.Need.Amps))
		text := ""
		for _, amps := range []float64{1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 0.1} {
			if amps > highest {
				break
			}
			// of a long mean nothing is left of noise and resolution; gain and offset of the range stay
			spec := model.Pick(ch.Amps, amps)
			a := spec.Contributions(amps, 1, p.Bench.AmbientKelvin)
			u := 2 * math.Sqrt(a.Gain*a.Gain+a.Offset*a.Offset+a.TemperatureGain*a.TemperatureGain+a.TemperatureOffset*a.TemperatureOffset)
			if text != "" {
				text += ", "
			}
			text += fmt.Sprintf("%s at %s", unit(u, "A"), unit(amps, "A"))
		}
		if text != "" {
			p.Fit.Notes = append(p.Fit.Notes, fmt.Sprintf("U (k = 2) of a long mean that %s records with %s: %s", r.Need.Name, r.Channel, text))
		}
	}
}

// bytesPerSample is what one sample of one signal takes on the disk at most: 4 bytes while it is recorded, and beside them what is kept.
const bytesPerSample = 10

// Bytes is about how much room the recording takes on the disk; 0: not known.
func (rec *Recording) Bytes() int64 {
	return rec.Samples * int64(len(rec.Step.Signals)) * bytesPerSample
}
