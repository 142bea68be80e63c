package daemon

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"fourwire/daemon/api"
	"fourwire/record"
)

const (
	mostCompared = 20
	coverage     = 2.0 // of an expanded uncertainty
	// mixedShare of the pairs may differ by chance where none does: one in 22 does at two standard deviations.
	mixedShare = 0.05
)

// side is one record of a comparison.
type side struct {
	id     string
	rec    *record.Record
	brief  api.Brief
	points map[string]record.Point // by coordinates
	twice  int
	terms  map[int]map[string][]record.StoredTerm
}

// Compare compares records with the first of them, paired by coordinates. What both share, such as the gain error of one channel of one instrument that was
// not calibrated in between, drops out of the differences.
func (d *Daemon) Compare(ctx context.Context, c api.Comparing) (api.Comparison, error) {
	if len(c.Records) < 2 || len(c.Records) > mostCompared {
		return api.Comparison{}, api.Refuse(http.StatusUnprocessableEntity, fmt.Sprintf("2 to %d records are compared", mostCompared), "")
	}
	out := api.Comparison{Records: []api.Brief{}, Compared: []api.Compared{}}
	var sides []*side
	for _, id := range c.Records {
		s, err := d.side(ctx, id)
		if err != nil {
			return out, err
		}
		sides = append(sides, s)
		out.Records = append(out.Records, s.brief)
		if s.twice > 0 {
			out.Notes = append(out.Notes, fmt.Sprintf("%s has %d points whose coordinates stand there already; the first counts", id, s.twice))
		}
		if s.terms == nil {
			out.Notes = append(out.Notes, id+" keeps no error terms: nothing can drop out, and differences look less certain than they are")
		}
	}
	for _, other := range sides[1:] {
		if names := coordinates(sides[0].rec); !slices.Equal(names, coordinates(other.rec)) {
			out.Notes = append(out.Notes, fmt.Sprintf("%s and %s have not the same coordinates: no points pair", sides[0].id, other.id))
		}
		for _, col := range sides[0].rec.Columns {
			if col.Kind == record.Coordinate || len(c.Columns) > 0 && !slices.Contains(c.Columns, col.Name) || !has(other.rec, col) {
				continue
			}
			out.Compared = append(out.Compared, compareColumn(sides[0], other, col))
		}
	}
	if len(out.Compared) == 0 {
		return out, api.Refuse(http.StatusUnprocessableEntity, "the records have no quantity in common, or none of those asked for", "")
	}
	return out, nil
}

func (d *Daemon) side(ctx context.Context, id string) (*side, error) {
	rec, err := d.open(id)
	if err != nil {
		var p *api.Problem
		if errors.As(err, &p) {
			p.Detail = fmt.Sprintf("record %.100q: %s", id, p.Detail)
		}
		return nil, err
	}
	s := &side{id: id, rec: rec, brief: d.briefOf(ctx, id, rec), points: map[string]record.Point{}}
	names := coordinates(rec)
	for _, p := range rec.Rows {
		key := keyOf(p, names)
		if _, there := s.points[key]; there {
			s.twice++
			continue
		}
		s.points[key] = p
	}
	s.terms, err = record.ReadTerms(rec.Dir)
	if err != nil {
		s.terms = nil // told in the notes
	}
	return s, nil
}

func coordinates(rec *record.Record) []string {
	var out []string
	for _, c := range rec.Columns {
		if c.Kind == record.Coordinate {
			out = append(out, c.Name)
		}
	}
	slices.Sort(out)
	return out
}

func has(rec *record.Record, col record.Column) bool {
	return slices.ContainsFunc(rec.Columns, func(c record.Column) bool {
		return c.Name == col.Name && c.Unit == col.Unit && c.Kind != record.Coordinate
	})
}

// keyOf is the coordinates of a point to nine digits, with its label.
func keyOf(p record.Point, names []string) string {
	key := p.Part
	for _, n := range names {
		key += "|" + strconv.FormatFloat(p.Cells[n].SI, 'e', 8, 64)
	}
	return key
}

// sum collects the parts of an uncertainty by input, so that inputs that come up again are added with their signs.
type sum map[any]float64

// inputOf is what an input is known by in both records, or in one alone.
func (s *side) inputOf(in *record.StoredInput, other *side) any {
	if in.Shared {
		if name, _, _ := strings.Cut(in.Name, " "); sameInstrument(s.rec, other.rec, name) {
			return in.Name
		}
	}
	return in
}

func sameInstrument(a, b *record.Record, name string) bool {
	find := func(r *record.Record) (record.Instrument, bool) {
		for _, in := range r.Instruments {
			if in.Name == name {
				return in, true
			}
		}
		return record.Instrument{}, false
	}
	if (a.Simulated || b.Simulated) && (a.Seed == nil || b.Seed == nil || *a.Seed != *b.Seed) {
		return false // another seed draws other errors for the same serial number
	}
	x, ok := find(a)
	y, also := find(b)
	return ok && also && x.Serial != "" && x.Serial == y.Serial && x.Model == y.Model && x.Maker == y.Maker && x.Calibrated == y.Calibrated
}

func (s sum) add(of *side, other *side, number int, column string, cell record.Cell, sign float64) {
	terms := of.terms[number][column]
	if len(terms) == 0 && !math.IsNaN(cell.U) {
		s[fmt.Sprint(of.id, number, column)] += sign * cell.U / coverage
	}
	for _, t := range terms {
		s[of.inputOf(t.Input, other)] += sign * t.Part
	}
}

func (s sum) expanded() float64 {
	var square float64
	for _, part := range s {
		square += part * part
	}
	return coverage * math.Sqrt(square)
}

func compareColumn(a, b *side, col record.Column) api.Compared {
	out := api.Compared{Record: b.id, Column: columnsOf([]record.Column{col})[0], Better: betterOf(a.rec, col.Name), Pairs: []api.Pair{}}
	names := coordinates(a.rec)
	mean, meanParts := 0.0, sum{}
	matched := 0
	for _, p := range a.rec.Rows {
		q, ok := b.points[keyOf(p, names)]
		if first := a.points[keyOf(p, names)]; first.Number != p.Number {
			continue
		}
		if !ok {
			out.Unpaired++
			continue
		}
		matched++
		x, y := p.Cells[col.Name], q.Cells[col.Name]
		pair := api.Pair{At: map[string]float64{}, Part: p.Part, A: api.Value{V: finite(x.SI), U: finite(x.U)}, B: api.Value{V: finite(y.SI), U: finite(y.U)}, Judgement: "unknown"}
		for _, n := range names {
			if v := finite(p.Cells[n].SI); v != nil {
				pair.At[n] = *v
			}
		}
		difference := y.SI - x.SI
		if p.Valid && q.Valid && finite(difference) != nil {
			parts := sum{}
			for _, into := range []sum{parts, meanParts} {
				into.add(a, b, p.Number, col.Name, x, -1)
				into.add(b, a, q.Number, col.Name, y, 1)
			}
			u := parts.expanded()
			pair.Difference = api.Value{V: finite(difference), U: finite(u)}
			pair.Judgement = judge(difference, u)
			mean += difference
			switch pair.Judgement {
			case higher:
				out.Higher++
			case lower:
				out.Lower++
			default:
				out.Same++
			}
		}
		out.Pairs = append(out.Pairs, pair)
	}
	out.Unpaired += len(b.points) - matched
	n := float64(out.Higher + out.Lower + out.Same)
	out.Judgement = "unknown"
	if n > 0 {
		u := meanParts.expanded() / n
		out.MeanDifference = api.Value{V: finite(mean / n), U: finite(u)}
		out.Judgement = overall(out, judge(mean/n, u), n)
	}
	out.Shared = shared(a, b, col.Name)
	return out
}

const (
	higher = "higher"
	lower  = "lower"
	same   = "no difference"
)

func judge(difference, u float64) string {
	switch {
	case difference > u:
		return higher
	case difference < -u:
		return lower
	}
	return same
}

// overall judges a column: mixed where more pairs differ both ways than chance explains, else as the mean over all pairs does.
func overall(c api.Compared, mean string, n float64) string {
	if float64(min(c.Higher, c.Lower)) > mixedShare*n {
		return "mixed"
	}
	switch {
	case mean == same || c.Better == "":
		return mean
	case mean == c.Better:
		return "better"
	}
	return "worse"
}

// betterOf is which way is better for a quantity: as the limits say in which it stands alone on the left, where they agree.
func betterOf(rec *record.Record, name string) string {
	found := ""
	for _, v := range rec.Verdicts {
		fields := strings.Fields(v.Limit)
		if len(fields) < 3 || fields[0] != name {
			continue
		}
		way := map[string]string{">=": higher, ">": higher, "<=": lower, "<": lower}[fields[1]]
		if way == "" || found != "" && found != way {
			return ""
		}
		found = way
	}
	return found
}

// shared names the inputs that both have.
func shared(a, b *side, column string) string {
	in := map[string]bool{}
	collect := func(s, other *side) map[string]bool {
		out := map[string]bool{}
		for _, cols := range s.terms {
			for _, t := range cols[column] {
				if name, ok := s.inputOf(t.Input, other).(string); ok {
					out[name] = true
				}
			}
		}
		return out
	}
	of := collect(b, a)
	for name := range collect(a, b) {
		if of[name] {
			in[name] = true
		}
	}
	names := make([]string, 0, len(in))
	for name := range in {
		names = append(names, name)
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}
