package terminal

import "fourwire/report"

// spent writes where the time of a run went, and what would shorten it most.
func (p printer) spent(s *report.Spent) {
	if s == nil {
		return
	}
	p.line("")
	p.wrapped("", "time "+s.Headline())
	for _, x := range s.Savings[:min(1, len(s.Savings))] {
		p.below(x.Text)
	}
}
