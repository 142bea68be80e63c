package main

import (
	"math"
	"time"

	"fourwire/driver"
	"fourwire/internal/clock"
	"fourwire/record"
	"fourwire/sequence/plan"
	"fourwire/sequence/run"
	"fourwire/transport"
)

// wireTime is how long an exchange is on its way, as far as the opening of its link has shown; 0: not known.
func wireTime(l transport.Link) time.Duration {
	if c, ok := transport.As[interface{ ConnectTime() time.Duration }](l); ok {
		return c.ConnectTime()
	}
	return 0
}

// byteTime is how long a byte takes on a wire that has a rate; 0 for others.
func byteTime(a transport.Address) time.Duration {
	o := a.Options
	if a.Scheme != "serial" {
		return 0
	}
	baud, bits := o.Baud, float64(o.Bits)
	if baud == 0 {
		baud = 9600
	}
	if bits == 0 {
		bits = 8
	}
	bits++ // the start bit
	switch o.Parity {
	case "", "none":
	default:
		bits++
	}
	switch o.Stop {
	case "1.5":
		bits += 1.5
	case "2":
		bits += 2
	default:
		bits++
	}
	return time.Duration(bits / float64(baud) * float64(time.Second))
}

// account is where the time of this run went.
func (r *oneRun) account(responses []run.Response) record.TimeLedger {
	o := r.opened
	t := record.TimeLedger{Spans: o.spans.Spans(), WallSeconds: o.spans.Elapsed().Seconds(), Virtual: !clock.IsReal(o.clock),
		Steps: run.StepTexts(r.seq), Instruments: map[string]record.InstrumentTimes{}, Predicted: predicted(r.plan)}
	part := record.LedgerPart{Began: o.began.Round(0), WallSeconds: t.WallSeconds}
	if r.earlier != nil && r.earlier.continued != nil {
		part.After = len(r.earlier.continued.Rows)
	}
	t.Covers = []record.LedgerPart{part}
	for name, x := range o.times {
		one := record.InstrumentTimes{Queries: x.Queries}
		if x.Queries > 0 {
			wire, processing := x.WireSeconds, x.ProcessingSeconds
			one.Processing = &processing
			if !t.Virtual {
				one.Wire = &wire
			}
		}
		t.Instruments[name] = one
	}
	for _, x := range responses {
		one := t.Instruments[x.Instrument]
		if one.Up == nil && !math.IsNaN(x.Up) {
			one.Up, one.UpAfter = &x.Up, &x.UpAfter
		}
		if one.Down == nil && !math.IsNaN(x.Down) {
			one.Down = &x.Down
		}
		t.Instruments[x.Instrument] = one
	}
	used := map[string]string{}
	for _, s := range t.Spans {
		if text, ok := t.Steps[s.Step]; ok {
			used[s.Step] = text
		}
	}
	t.Steps = used
	return t
}

// predicted is what a plan says of the time, kind by kind.
func predicted(p *plan.Plan) []record.PredictedTime {
	var out []record.PredictedTime
	for _, w := range p.Fit.Time {
		out = append(out, record.PredictedTime{Kind: w.Kind, Seconds: w.Seconds})
	}
	return out
}

// keepTimes notes how fast the instruments have answered, before they are let go.
func (o *openBench) keepTimes() {
	if o.times == nil {
		o.times = map[string]driver.Times{}
	}
	for _, in := range o.instruments {
		o.times[in.Name()] = in.Times()
	}
}
