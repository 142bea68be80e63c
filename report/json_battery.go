package report

import (
	"math"

	"fourwire/record"
)

// traceDocument is a long trace for scripts.
type traceDocument struct {
	Trace      string           `json:"trace"`
	Complete   bool             `json:"complete"`
	Statement  string           `json:"statement"`
	Expected   int64            `json:"expected"`
	Received   int64            `json:"received"`
	Missing    string           `json:"cannot_be_shown,omitempty"`
	Seconds    float64          `json:"s"`
	Interval   float64          `json:"interval_s"`
	Mean       *valueDocument   `json:"mean_A,omitempty"`
	Charge     *valueDocument   `json:"charge_C,omitempty"`
	Energy     *valueDocument   `json:"energy_J,omitempty"`
	RMS        *valueDocument   `json:"rms_A,omitempty"`
	Peak       *valueDocument   `json:"peak_A,omitempty"`
	EventCount int              `json:"events"`
	States     []stateDocument  `json:"states"`
	Kinds      []kindDocument   `json:"kinds"`
	Against    *againstDocument `json:"against,omitempty"`
}

type valueDocument struct {
	Value *float64 `json:"value"` // SI; null where there is none
	U     *float64 `json:"u"`     // k = 2
}

type stateDocument struct {
	Name      string   `json:"name"`
	Seconds   *float64 `json:"s"`
	Coulombs  *float64 `json:"C"`
	Share     *float64 `json:"share"`
	TimeShare *float64 `json:"time_share"`
	Mean      *float64 `json:"mean_A"`
	Visits    int      `json:"visits"`
}

type kindDocument struct {
	Name     string   `json:"name"`
	Count    int      `json:"count"`
	Period   *float64 `json:"period_s"`
	Seconds  *float64 `json:"mean_s"`
	Coulombs *float64 `json:"mean_C"`
}

type againstDocument struct {
	Record string         `json:"record,omitempty"`
	Trace  string         `json:"trace"`
	Lines  []lineDocument `json:"lines"`
}

type lineDocument struct {
	What       string   `json:"what"`
	Unit       string   `json:"unit"`
	A          *float64 `json:"a"`
	B          *float64 `json:"b"`
	Difference *float64 `json:"difference"`
	U          *float64 `json:"u"`
	Judgement  string   `json:"judgement"`
}

// lifeDocument is how long a battery lasts, for scripts.
type lifeDocument struct {
	Title    string   `json:"title"`
	Trace    string   `json:"trace,omitempty"`
	Battery  string   `json:"battery,omitempty"`
	Hours    *float64 `json:"h"`
	Low      *float64 `json:"low_h"`
	High     *float64 `json:"high_h"`
	Text     string   `json:"text"`
	EndedBy  string   `json:"ended_by,omitempty"`
	Dominant string   `json:"dominant,omitempty"`
}

// orNull is a number that JSON can hold, else nil.
func orNull(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func estimateDocument(e record.Estimate) *valueDocument {
	return &valueDocument{orNull(e.Value), orNull(e.U)}
}

func traceDocuments(traces []Trace) []traceDocument {
	out := []traceDocument{}
	for i := range traces {
		t := &traces[i]
		d := traceDocument{Trace: t.Name, Complete: t.Trust.Complete, Statement: t.Trust.Headline, Expected: t.Statement.Expected, Received: t.Statement.Received, Missing: t.Missing,
			Seconds: t.Seconds(), Interval: t.Head.IntervalSeconds, States: []stateDocument{}, Kinds: []kindDocument{}}
		if x := t.Drain; x != nil {
			d.Mean, d.Charge, d.Energy, d.RMS, d.Peak = estimateDocument(x.Mean), estimateDocument(x.Charge), estimateDocument(x.Energy), estimateDocument(x.RMS), estimateDocument(x.Peak)
			d.EventCount = x.Count
			for _, s := range x.States {
				d.States = append(d.States, stateDocument{s.Name, orNull(s.Seconds), orNull(s.Coulombs), orNull(s.Share), orNull(s.TimeShare), orNull(s.MeanAmps), s.Visits})
			}
			for _, k := range x.Kinds {
				d.Kinds = append(d.Kinds, kindDocument{k.Name, k.Count, orNull(k.PeriodSeconds), orNull(k.MeanSeconds), orNull(k.MeanCoulombs)})
			}
			if c := x.Against; c != nil {
				d.Against = &againstDocument{Record: c.Record, Trace: c.Trace, Lines: []lineDocument{}}
				for _, l := range c.Lines {
					d.Against.Lines = append(d.Against.Lines, lineDocument{l.What, l.Unit, orNull(l.A), orNull(l.B), orNull(l.Difference), orNull(l.U), l.Judgement})
				}
			}
		}
		out = append(out, d)
	}
	return out
}

func lifeDocuments(list []Life) []lifeDocument {
	out := []lifeDocument{}
	for _, l := range list {
		out = append(out, lifeDocument{l.Title, l.Trace, l.Battery, orNull(l.Hours), orNull(l.Low), orNull(l.High), l.Interval, l.EndedBy, l.Dominant})
	}
	return out
}
