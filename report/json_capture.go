package report

import (
	"fourwire/record"
)

// captureDocument is what was found around an event, for scripts.
type captureDocument struct {
	Trace   string           `json:"trace"`
	Where   string           `json:"where,omitempty"`
	Trigger string           `json:"trigger"`
	Missed  string           `json:"missed,omitempty"` // why nothing was captured
	Signals []signalDocument `json:"signals"`
	Figures []figureDocument `json:"figures"`
}

type signalDocument struct {
	Name      string   `json:"name"`
	Node      string   `json:"node"`
	From      string   `json:"from"`
	Unit      string   `json:"unit"`
	Bandwidth *float64 `json:"bandwidth_Hz"` // null: not stated
}

// figureDocument is one figure; limits are those of the sequence on its name.
type figureDocument struct {
	Of      string          `json:"of"`   // the signal
	Kind    string          `json:"kind"` // "pulse", "transient"
	What    string          `json:"what"`
	Name    string          `json:"name,omitempty"` // in the sequence
	Unit    string          `json:"unit"`
	Value   *float64        `json:"value"`
	U       *float64        `json:"u"` // k = 2
	Missing string          `json:"missing,omitempty"`
	Limits  []figureVerdict `json:"limits"`
}

// figureVerdict is a limit on a figure with its outcome at the figure's point.
type figureVerdict struct {
	Limit   string         `json:"limit"`
	Clause  string         `json:"clause,omitempty"`
	Bound   *float64       `json:"bound"`
	Side    string         `json:"side,omitempty"`
	Outcome record.Outcome `json:"outcome"`
	Point   int            `json:"point,omitempty"`
}

func captureDocuments(r *Report) []captureDocument {
	out := []captureDocument{}
	for i := range r.Traces {
		if c := r.Traces[i].Capture; c != nil {
			out = append(out, captureDocumentOf(r, c))
		}
	}
	for i := range r.Missed {
		out = append(out, captureDocumentOf(r, &r.Missed[i]))
	}
	return out
}

func captureDocumentOf(r *Report, c *record.Capture) captureDocument {
	d := captureDocument{Trace: c.Trace, Where: c.Where, Trigger: c.Trigger, Missed: c.Missed, Signals: []signalDocument{}, Figures: []figureDocument{}}
	for _, s := range c.Signals {
		d.Signals = append(d.Signals, signalDocument{s.Name, s.Node, s.From, s.Unit, orNull(s.Bandwidth)})
	}
	for _, f := range c.Figures {
		for _, x := range f.List {
			one := figureDocument{Of: f.Of, Kind: f.Kind, What: x.What, Name: x.Name, Unit: x.Unit, Value: orNull(x.Value), U: orNull(x.U), Missing: x.Missing, Limits: []figureVerdict{}}
			if x.Name != "" && x.Missing == "" {
				one.Limits = r.verdictsOn(x.Name, x.Value)
			}
			d.Figures = append(d.Figures, one)
		}
	}
	return d
}

// verdictsOn are the verdicts of limits on a name that judged a value.
func (r *Report) verdictsOn(name string, value float64) []figureVerdict {
	out := []figureVerdict{}
	for _, l := range r.Limits {
		if l.name() != name {
			continue
		}
		for _, v := range l.Verdicts {
			if v.Value == value {
				out = append(out, figureVerdict{v.Limit, v.Clause, orNull(v.Bound), v.Side, v.Outcome, v.Point})
			}
		}
	}
	return out
}

// supplyDocument is a voltage over time that a source was taken through, for scripts.
type supplyDocument struct {
	Name     string       `json:"name"`
	Role     string       `json:"role"`
	Node     string       `json:"node"`
	Where    string       `json:"where,omitempty"`
	Preset   string       `json:"preset,omitempty"`
	Title    string       `json:"title,omitempty"`
	Standard string       `json:"standard,omitempty"`
	Edition  string       `json:"edition,omitempty"`
	Clause   string       `json:"clause,omitempty"`
	Basis    string       `json:"basis,omitempty"` // "read" or "from memory"
	By       string       `json:"by"`
	Within   tolerance    `json:"within"`
	Outside  float64      `json:"outside_s"` // that the source is outside of that, by its model
	Worst    float64      `json:"worst_V"`
	WorstAt  float64      `json:"worst_at_s"`
	Late     string       `json:"late,omitempty"`
	Text     string       `json:"text"`
	Wanted   [][2]float64 `json:"wanted"`   // s, V
	Expected [][2]float64 `json:"expected"` // by the model
}

type tolerance struct {
	Relative float64 `json:"relative"`
	Volts    float64 `json:"V"`
	Seconds  float64 `json:"s"`
}

func supplyDocuments(list []Supply) []supplyDocument {
	out := []supplyDocument{}
	for _, p := range list {
		out = append(out, supplyDocument{Name: p.Name, Role: p.Role, Node: p.Node, Where: p.Where, Preset: p.Preset, Title: p.Title, Standard: p.Standard, Edition: p.Edition,
			Clause: p.Clause, Basis: p.Basis, By: p.By, Within: tolerance{p.WithinRelative, p.WithinVolts, p.WithinSeconds}, Outside: p.OutsideSeconds, Worst: p.WorstVolts,
			WorstAt: p.WorstAtSeconds, Late: p.Late, Text: p.Text, Wanted: p.Wanted, Expected: p.Expected})
	}
	return out
}

// fitDocument is the law of a part, for scripts.
type fitDocument struct {
	Name       string              `json:"name"`
	Kind       string              `json:"kind"`
	Law        string              `json:"law"`
	Used       int                 `json:"used"`
	Compliance int                 `json:"in_compliance"`
	Invalid    int                 `json:"not_valid"`
	Outside    int                 `json:"outside"`
	Why        string              `json:"why,omitempty"` // why there is none
	Parameters []parameterDocument `json:"parameters"`
	Notes      []string            `json:"notes"`
}

type parameterDocument struct {
	What  string   `json:"what"`
	Name  string   `json:"name,omitempty"`
	Unit  string   `json:"unit"`
	Value *float64 `json:"value"`
	U     *float64 `json:"u"`
}

func fitDocuments(list []Fitted) []fitDocument {
	out := []fitDocument{}
	for _, f := range list {
		d := fitDocument{Name: f.Name, Kind: f.Kind, Law: f.Law, Used: f.Used, Compliance: f.Compliance, Invalid: f.Invalid, Outside: f.Outside, Why: f.Why,
			Parameters: []parameterDocument{}, Notes: append([]string{}, f.Notes...)}
		for _, p := range f.Fit.Parameters {
			d.Parameters = append(d.Parameters, parameterDocument{p.What, p.Name, p.Unit, orNull(p.Value), orNull(p.U)})
		}
		out = append(out, d)
	}
	return out
}

// steppedDocument is how a sweep was stepped, for scripts.
type steppedDocument struct {
	Kind  string    `json:"kind"` // "fast" or "refine"
	Where []string  `json:"where"`
	Text  string    `json:"text"`
	Added []float64 `json:"added"` // SI
	Unit  string    `json:"unit,omitempty"`
}

func steppedDocuments(list []Stepped) []steppedDocument {
	out := []steppedDocument{}
	for _, s := range list {
		d := steppedDocument{Kind: s.Kind, Where: append([]string{}, s.Where...), Text: s.Text, Added: []float64{}}
		for _, x := range s.Added {
			d.Added, d.Unit = append(d.Added, x.SI), record.UnitOf(x.Dim)
		}
		out = append(out, d)
	}
	return out
}
