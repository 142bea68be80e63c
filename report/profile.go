package report

import (
	"fmt"
	"strings"

	"fourwire/record"
)

// profiles reads the voltages over time that sources were taken through.
func profiles(rec *record.Record) []record.Profile {
	return kept[record.Profile](rec, record.AnalysisFolder, ".profile.json")
}

// supplies are the facts of supply profiles: what each is and where its figures are from, each once; and what has to be said with them.
func supplies(list []record.Profile) (facts []Fact, notices []Notice) {
	said := map[string]bool{}
	once := func(text string) bool {
		was := said[text]
		said[text] = true
		return !was
	}
	for _, p := range list {
		text := p.Title + "; " + p.Tag
		if p.Preset == "" {
			text = "points of the sequence"
		}
		if p.Negative {
			text += "; negative to earth, the voltages are magnitudes"
		}
		if once(p.Role + p.Preset + text) {
			facts = append(facts, Fact{"Supply of " + p.Node, strings.TrimSpace(p.Preset+" by "+p.Role) + ": " + text})
		}
		if p.Basis == "from memory" && once("basis "+p.Preset) {
			notices = append(notices, Notice{false, fmt.Sprintf("Unverified: the figures of the supply %s (%s) are from memory; hold them against the standard before a test is called conforming.", p.Preset, p.Standard)})
		}
		if p.OutsideSeconds > 0 && once(p.Text) {
			notices = append(notices, Notice{false, sentence(p.Text)})
		}
		if p.Late != "" {
			notices = append(notices, Notice{true, sentence(p.Role + ": " + p.Late)})
		}
	}
	return facts, notices
}
