package report

import (
	"fmt"
	"regexp"
	"strings"

	"fourwire/quantity"
	"fourwire/record"
)

// Remark is what was said of points in the same words, with the values between which the numbers in it lie.
type Remark struct {
	Text   string
	Points int // that it was said of; 0: of the whole run
}

// corrections lists what was done to readings (zeros, currents through meters, drops of leads); others lists what the run says
// about how uncertainties were worked out, and about drifts.
func corrections(rec *record.Record) (done, others []Remark) {
	var notes, rest gathered
	for _, p := range rec.Rows {
		for _, text := range p.Notes {
			if strings.HasSuffix(text, " added") || strings.HasSuffix(text, " subtracted") {
				notes.add(text, true)
			} else {
				rest.add(text, true)
			}
		}
	}
	for _, e := range rec.Log {
		if e.Kind == "spread" || e.Kind == "drift" || e.Kind == "zero" || e.Kind == "monte carlo" {
			rest.add(e.Text, false)
		}
	}
	return notes.list(), rest.list()
}

// gathered puts texts together that differ in their quantities only.
type gathered struct {
	order []string
	by    map[string]*same
}

type same struct {
	first     string
	low, high quantity.Quantity
	single    bool // one quantity in the text
	points    int
}

var quantityInText = regexp.MustCompile(`-?\b[0-9]+(?:\.[0-9]+)?(?:e[-+]?[0-9]+)? (?:%|degC\b|[fpnumkMG]?(?:V|A|W|ohm|s|Hz|F|H|J|S|K|Ah|Wh)\b)`)

// ShortNote is a note with the quantities in it, which have no uncertainty beside them, at three digits; percentages are as the run chose them.
func ShortNote(text string) string {
	return Pretty(quantityInText.ReplaceAllStringFunc(text, func(one string) string {
		q, err := quantity.Parse(one)
		if err != nil || strings.HasSuffix(one, "%") {
			return one
		}
		return q.Text(3)
	}))
}

func (g *gathered) add(text string, point bool) {
	places := quantityInText.FindAllStringIndex(text, -1)
	key := strings.ReplaceAll(quantityInText.ReplaceAllString(text, "#"), ";", ",") // points.csv keeps notes with commas
	s, ok := g.by[key]
	if !ok {
		if g.by == nil {
			g.by = map[string]*same{}
		}
		s = &same{first: text, single: len(places) == 1}
		g.by[key] = s
		g.order = append(g.order, key)
	}
	if point {
		s.points++
	}
	if !s.single || len(places) != 1 {
		return
	}
	q, err := quantity.Parse(text[places[0][0]:places[0][1]])
	if err != nil {
		s.single = false
		return
	}
	if !ok || q.SI < s.low.SI {
		s.low = q
	}
	if !ok || q.SI > s.high.SI {
		s.high = q
	}
}

func (g *gathered) list() []Remark {
	var out []Remark
	for _, key := range g.order {
		s := g.by[key]
		text := s.first
		if s.single {
			at := quantityInText.FindStringIndex(text)
			span := s.low.Text(3)
			if high := s.high.Text(3); high != span {
				span += " to " + high
			}
			text = text[:at[0]] + span + text[at[1]:]
		} else if s.points > 1 {
			text += " (the first of them)"
		}
		out = append(out, Remark{ShortNote(text), s.points})
	}
	return out
}

// Of is on how many points a remark is; empty for one on the whole run.
func (r Remark) Of() string {
	if r.Points == 0 {
		return ""
	}
	return count(r.Points, "point")
}

// String is the remark with its number of points.
func (r Remark) String() string {
	if r.Points == 0 {
		return r.Text
	}
	return fmt.Sprintf("%s (%s)", r.Text, r.Of())
}
