package run

import (
	"time"

	"fourwire/internal/ledger"
	"fourwire/record"
)

// spentEvery is how often, at most, a run says where its time goes: in its own time.
const spentEvery = 2 * time.Second

// spent tells the log where the time went so far, by kind, so that whoever watches a run knows it before the account is written at its end.
func (r *runner) spent() {
	now := r.clock.Now()
	if r.toldSpent.IsZero() {
		r.toldSpent = r.started
	}
	if r.cfg.Spans == nil || now.Sub(r.toldSpent) < spentEvery {
		return
	}
	r.toldSpent = now
	sums := map[ledger.Kind]float64{}
	for _, s := range r.cfg.Spans.Spans() {
		sums[s.Kind] += s.Seconds
	}
	r.write(func() error {
		return r.cfg.Sink.Event(record.Event{Level: "debug", Kind: "spent", Text: "where the time went so far", Fields: map[string]any{"seconds": sums}})
	})
}
