package plan

import (
	"math"
)

// Verdict says how well a channel serves.
type Verdict string

// The verdicts, by the smallest margin.
const (
	Fits    Verdict = "fits"         // more than 20 % in hand
	Tight   Verdict = "tight"        // 0 to 20 %
	Misfits Verdict = "does not fit" // less than 0
)

// tightBelow is the margin under which a channel is tight; common practice, no source.
const tightBelow = 0.20

// Margin is how far a demand lies inside one ability.
type Margin struct {
	Kind string `json:"kind"` // one of Kinds
	// Part in hand: 1 - asked/available; negative where it does not fit.
	Part float64 `json:"margin"`
	Text string  `json:"text"` // the arithmetic
	At   string  `json:"at"`   // coordinates of the point: "vin 9 V, iout 3 A"
	// Enough says that the demand has a reserve in it already: whatever is not negative fits.
	Enough bool `json:"enough,omitempty"`
}

// Verdict of one margin.
func (m Margin) Verdict() Verdict {
	switch {
	case m.Part < 0 || math.IsNaN(m.Part):
		return Misfits
	case m.Part <= tightBelow && !m.Enough:
		return Tight
	}
	return Fits
}

// tighter orders margins: what does not fit first, then what is tight, each by what is in hand.
func (m Margin) tighter(than Margin) bool {
	if a, b := m.Verdict().rank(), than.Verdict().rank(); a != b {
		return a < b
	}
	if fits := m.Verdict() == Fits; fits && m.Enough != than.Enough {
		return than.Enough // what has its reserve in it binds last
	}
	return m.Part < than.Part
}

func (v Verdict) rank() int {
	switch v {
	case Misfits:
		return 0
	case Tight:
		return 1
	}
	return 2
}

// Candidate is a channel that was looked at for a role.
type Candidate struct {
	Channel Channel  `json:"-"`
	Name    string   `json:"channel"`
	Verdict Verdict  `json:"verdict"`
	Margins []Margin `json:"margins"`       // the smallest of each kind over all points; smallest first
	Why     string   `json:"why,omitempty"` // why it cannot serve at all, before any arithmetic
}

// Binding is the smallest margin; ok is false where the channel was not measured against any point.
func (c Candidate) Binding() (m Margin, ok bool) {
	if len(c.Margins) == 0 {
		return Margin{}, false
	}
	return c.Margins[0], true
}

// RoleFit is how the bench serves one need.
type RoleFit struct {
	Role       string      `json:"role"`
	Kind       string      `json:"kind"`
	Node       string      `json:"node"`
	Chosen     string      `json:"chosen,omitempty"` // channel; empty where none fits
	Candidates []Candidate `json:"candidates"`       // best first
}

// GaugeFit is how a node measurement is read.
type GaugeFit struct {
	Measurement string  `json:"measurement"` // "v(dut.in)"
	Channel     string  `json:"channel,omitempty"`
	Own         bool    `json:"own"` // a source's or load's own read-back
	Low         *Reach  `json:"low,omitempty"`
	High        *Reach  `json:"high,omitempty"`
	Margin      *Margin `json:"margin,omitempty"`
	Accuracy    *Margin `json:"accuracy,omitempty"` // against what a need of a meter asks for
	// Others that could read it, and why they were not taken.
	Others []string `json:"others,omitempty"`
}

// Reach is one end of what is expected at a gauge, with the range for it and its accuracy there.
type Reach struct {
	Value float64 `json:"value"`       // SI
	Range float64 `json:"range"`       // SI
	U     float64 `json:"uncertainty"` // expanded, k = 2, SI
	Unit  string  `json:"unit"`
}

// Spread is the predicted uncertainty of a derived quantity over the planned points.
type Spread struct {
	Name    string  `json:"name"`
	Unit    string  `json:"unit"`
	Best    float64 `json:"best"` // smallest expanded uncertainty, SI
	BestAt  string  `json:"best_at"`
	Worst   float64 `json:"worst"`
	WorstAt string  `json:"worst_at"`
	Biggest string  `json:"biggest,omitempty"` // contributor at the worst point
}

// Fit is how well a bench serves a sequence.
type Fit struct {
	Verdict Verdict    `json:"verdict"` // the worst of the roles' and gauges'
	Roles   []RoleFit  `json:"roles"`
	Gauges  []GaugeFit `json:"gauges"`
	Derived []Spread   `json:"derived,omitempty"`
	Judged  []Judged   `json:"judged,omitempty"`
	Notes   []string   `json:"notes,omitempty"`
	// Accepted is the reason for which misfits that hurt nobody were accepted.
	Accepted string  `json:"accepted,omitempty"`
	Points   int     `json:"points"`
	Seconds  float64 `json:"predicted_seconds"`
	Time     []Wait  `json:"time,omitempty"` // by kind, longest first
	// Forecast is the predicted uncertainty of every measured and derived value at every planned point, as far as MaxForecast goes.
	Forecast []Forecast `json:"forecast,omitempty"`
	Cut      bool       `json:"forecast_cut,omitempty"`
}

func (f *Fit) judge() {
	f.Verdict = Fits
	worse := func(v Verdict) {
		if v == Misfits || v == Tight && f.Verdict == Fits {
			f.Verdict = v
		}
	}
	for _, r := range f.Roles {
		if r.Chosen == "" {
			worse(Misfits)
			continue
		}
		worse(r.Candidates[0].Verdict)
	}
	for _, g := range f.Gauges {
		switch {
		case g.Channel == "":
			worse(Misfits)
		case g.Margin != nil && g.Margin.Part < 0: // a range is chosen from what there is: only its end counts
			worse(Misfits)
		case g.Accuracy != nil:
			worse(g.Accuracy.Verdict())
		}
	}
	for _, j := range f.Judged {
		worse(j.Verdict)
	}
}
