package run

import (
	"math"
	"slices"

	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
)

// source is an error source that is put into the points of a fit.
type source struct {
	shared measured.ID        // of what points share
	shift  map[[2]int]float64 // by point and input: what the number moves by, one standard uncertainty
	own    []measured.Term    // of one number: its own terms, together
	size   float64            // their standard uncertainty
}

// into gives the terms for what a result has moved by.
func (s *source) into(moved float64, put func(...measured.Term)) {
	if s.own == nil {
		put(measured.Term{Input: s.shared, Part: moved})
		return
	}
	terms := make([]measured.Term, len(s.own))
	for i, t := range s.own {
		terms[i] = measured.Term{Input: t.Input, Part: t.Part * moved / s.size}
	}
	put(terms...)
}

// sources lists the error sources of the points: each that several numbers share, and, where it is asked for, what each number has of its own.
func (p *fitting) sources(ledger *measured.Ledger, own bool) []*source {
	holders := map[measured.ID]int{}
	for _, i := range p.used {
		for _, v := range p.rows[i].values {
			for _, t := range v.Terms {
				holders[t.Input]++
			}
		}
	}
	byID := map[measured.ID]*source{}
	var out []*source
	for n, i := range p.used {
		for k, v := range p.rows[i].values {
			one := &source{shift: map[[2]int]float64{}}
			sum := 0.0
			for _, t := range v.Terms {
				if holders[t.Input] == 1 && !ledger.IsShared(t.Input) {
					one.own = append(one.own, t)
					sum += t.Part * t.Part
					continue
				}
				s := byID[t.Input]
				if s == nil {
					s = &source{shared: t.Input, shift: map[[2]int]float64{}}
					byID[t.Input] = s
					out = append(out, s)
				}
				s.shift[[2]int{n, k}] += t.Part
			}
			if !own || sum == 0 {
				continue
			}
			one.size = math.Sqrt(sum)
			one.shift[[2]int{n, k}] = one.size
			out = append(out, one)
		}
	}
	return out
}

// beyond is the part of what points miss their law by that is more than the uncertainty of their readings explains: 0 to 1. It is for a fit that
// counts all points alike, whose own scatter says nothing of points that scatter more than others.
func (p *fitting) beyond(l law, best fitted) float64 {
	explained, seen := 0.0, 0.0
	for n, row := range p.numbers {
		miss := func(row []float64) float64 { return best.y(best.b, row) - row[l.up] }
		here := miss(row)
		seen += here * here
		for k, u := range p.spread[n] {
			if u <= 0 {
				continue
			}
			moved := slices.Clone(row)
			moved[k] += u / 2
			d := miss(moved) - here
			explained += d * d
		}
	}
	if !(seen > explained) {
		return 0
	}
	return 1 - explained/seen
}

// again fits the points with an error put in.
func (p *fitting) again(l law, s *source, kelvin float64) ([]float64, bool) {
	rows := make([][]float64, len(p.numbers))
	copy(rows, p.numbers)
	for at, by := range s.shift {
		if &rows[at[0]][0] == &p.numbers[at[0]][0] {
			rows[at[0]] = slices.Clone(p.numbers[at[0]])
		}
		rows[at[0]][at[1]] += by
	}
	moved, err := l.solve(rows, p.spread, kelvin)
	if err != nil {
		return nil, false
	}
	return moved.of(moved.b), true
}

const (
	fitPointsKept = 2000
	curvePoints   = 200
)

// picture keeps the points and the curves of a fit.
func (f *found) picture(s *sequence.Fit, l law, rows []fitRow, best fitted) {
	k := f.kept
	inputs := s.Kind.Inputs()
	name := func(i int) (string, string) {
		if i >= len(inputs) {
			return "time since the step", "s"
		}
		return s.Of[inputs[i].What], record.UnitOf(inputs[i].Dim)
	}
	k.X, k.XUnit = name(l.along)
	k.Y, k.YUnit = name(l.up)
	per := func(row fitRow) float64 { return 0 }
	if l.per >= 0 {
		k.Per, k.Unit = name(l.per)
		per = func(row fitRow) float64 { return row.values[l.per].X }
	}
	low, high := map[float64]float64{}, map[float64]float64{}
	var order []float64
	for _, row := range rows {
		x := row.values[l.along].X
		// of curves that a set value tells apart, what was measured of it differs a little from point to point
		group := rounded(per(row))
		if len(k.Points) < fitPointsKept {
			k.Points = append(k.Points, record.FitPoint{X: x, Y: row.values[l.up].X, U: row.values[l.up].Expanded(), Per: group, Left: row.left})
		}
		if row.left != "" {
			continue
		}
		if _, had := low[group]; !had {
			low[group], high[group] = x, x
			order = append(order, group)
		}
		low[group], high[group] = min(low[group], x), max(high[group], x)
	}
	if best.b == nil {
		return
	}
	for _, group := range order {
		c := record.FitCurve{Per: group}
		for i := range curvePoints {
			part := float64(i) / (curvePoints - 1)
			x := low[group] + part*(high[group]-low[group])
			if l.logX && low[group] > 0 {
				x = low[group] * math.Pow(high[group]/low[group], part)
			}
			row := make([]float64, len(inputs)+1)
			row[l.along] = x
			if l.per >= 0 {
				row[l.per] = group
			}
			if y := best.y(best.b, row); !math.IsNaN(y) {
				c.X, c.Y = append(c.X, x), append(c.Y, y)
			}
		}
		k.Curves = append(k.Curves, c)
	}
}

// rounded is a value to three digits.
func rounded(x float64) float64 {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return x
	}
	step := math.Pow(10, math.Floor(math.Log10(math.Abs(x)))-2)
	return math.Round(x/step) * step
}
