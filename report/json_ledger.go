package report

import (
	"fourwire/internal/ledger"
	"fourwire/record"
)

// timeDocument is where the time of a run went, for scripts.
type timeDocument struct {
	Wall        float64                           `json:"wall_s"`
	HostShare   float64                           `json:"host_share"`
	Virtual     bool                              `json:"virtual"`
	Kinds       []kindOfTimeDocument              `json:"kinds"`
	Top         []savingDocument                  `json:"top"`
	Instruments map[string]record.InstrumentTimes `json:"instruments"`
}

type kindOfTimeDocument struct {
	Kind      ledger.Kind `json:"kind"`
	Seconds   float64     `json:"s"`
	Share     float64     `json:"share"`
	Predicted *float64    `json:"predicted_s"` // null: nothing was
}

type savingDocument struct {
	Kind    ledger.Kind `json:"kind"`
	Step    string      `json:"step,omitempty"` // place in the sequence file
	Seconds float64     `json:"s"`
	Count   int         `json:"count"`
	Without float64     `json:"without_s"` // what the run would take without it
	Text    string      `json:"text"`
}

func timeDocumentOf(s *Spent) *timeDocument {
	if s == nil {
		return nil
	}
	d := &timeDocument{Wall: s.WallSeconds, HostShare: s.HostShare(), Virtual: s.Virtual, Instruments: s.TimeLedger.Instruments,
		Kinds: []kindOfTimeDocument{}, Top: []savingDocument{}}
	for _, k := range s.Kinds {
		d.Kinds = append(d.Kinds, kindOfTimeDocument{k.Kind, k.Seconds, k.Share, orNull(k.Predicted)})
	}
	for _, x := range s.Savings {
		d.Top = append(d.Top, savingDocument{x.Kind, x.Step, x.Seconds, x.Count, x.Without, x.Text})
	}
	return d
}
