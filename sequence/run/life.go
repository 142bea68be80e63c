package run

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"path"

	cell "fourwire/analysis/battery"
	"fourwire/quantity"
	"fourwire/quantity/measured"
	"fourwire/record"
	"fourwire/sequence"
	"fourwire/sequence/battery"
)

// LivesFile holds the lives that belong to no trace.
const LivesFile = record.AnalysisFolder + "/lives.json"

// life works out how long a battery lasts. It is an interval; what makes it wide is said with it.
func (r *runner) life(ctx context.Context, s *sequence.Life) error {
	b := r.plan.Batteries[s.Battery]
	if b == nil {
		return r.stop(Fault, "the battery file %s is not there", s.Battery)
	}
	mean, err := r.eval(ctx, s.Current)
	if err != nil {
		return err
	}
	peak := mean.X
	if s.Peak != nil {
		v, err := r.eval(ctx, s.Peak)
		if err != nil {
			return err
		}
		peak = v.X
	}
	if !(mean.X > 0) {
		return r.stop(Input, "%s: a battery that gives %s has no life to be worked out", s.Title, mean.Quantity())
	}
	result := cell.Life(&b.Cell, cell.LifeInput{Mean: mean, PeakAmps: peak, Kelvin: r.plan.Bench.AmbientKelvin, ShelfYears: b.ShelfYears()})
	kept := LifeOf(s.Title, b, result)
	if err := r.keepLife(s, kept); err != nil {
		return err
	}
	r.note("life", "info", lifeText(kept))
	return r.give(s.Gives, func(what string) measured.Value {
		switch what {
		case "life":
			return r.between(kept.Title, result)
		case "low":
			return measured.Exact(quantity.Of(result.Low*3600, quantity.Time))
		case "high":
			return measured.Exact(quantity.Of(result.High*3600, quantity.Time))
		}
		return measured.Exact(quantity.Of(result.Usable, quantity.Charge))
	}, "of "+s.Title)
}

// between is the life with half the width of its interval as its expanded uncertainty, the longer half where the two differ.
func (r *runner) between(title string, life cell.LifeResult) measured.Value {
	v := measured.Exact(quantity.Of(life.Hours*3600, quantity.Time))
	if half := math.Max(life.High-life.Hours, life.Hours-life.Low); half > 0 && !math.IsInf(half, 0) && r.cfg.Ledger != nil {
		name := title + ": assumptions"
		if life.Dominant != "" {
			name = title + ": " + life.Dominant
		}
		v = r.plus(v, r.cfg.Ledger.Own(measured.Input{Name: name, Kind: measured.Noise}), half*3600/2)
	}
	return v
}

// LifeOf is a life as a record keeps it.
func LifeOf(title string, b *battery.File, l cell.LifeResult) record.LifeResult {
	out := record.LifeResult{Title: title, Battery: path.Base(b.Name), Hours: l.Hours, Low: l.Low, High: l.High, MeanAmps: l.MeanAmps, PeakAmps: l.PeakAmps,
		UsableCoulomb: l.Usable, EndedBy: l.EndedBy, Dominant: l.Dominant, Notes: []string{fmt.Sprintf("a year is %g h", l.YearHours)}}
	sum := 0.0
	for _, p := range l.Parts {
		sum += p.Swing()
	}
	for _, p := range l.Parts {
		one := record.LifePart{Name: p.Name, Low: math.Min(p.HoursLow, p.HoursHigh), High: math.Max(p.HoursLow, p.HoursHigh)}
		if sum > 0 && !math.IsInf(sum, 0) {
			one.Share = p.Swing() / sum
		}
		out.Parts = append(out.Parts, one)
	}
	return out
}

// keepLife puts a life with the trace that its current came from, else beside the others.
func (r *runner) keepLife(s *sequence.Life, kept record.LifeResult) error {
	if r.keeper == nil {
		return nil
	}
	if name, bare := s.Current.Name(); bare {
		if d := r.drains[r.meanOf[name]]; d != nil {
			d.kept.Life = append(d.kept.Life, kept)
			return r.saveDrain(d)
		}
	}
	r.lives = append(r.lives, kept)
	data, err := json.MarshalIndent(r.lives, "", " ")
	if err != nil {
		return r.stop(Fault, "the lives cannot be written: %w", err)
	}
	if err := r.keeper.Put(LivesFile, append(data, '\n')); err != nil {
		return r.stop(Bench, "%w", err)
	}
	return nil
}

// lifeText is a life in one sentence.
func lifeText(l record.LifeResult) string {
	text := fmt.Sprintf("%s on %s: %s (%s to %s), ended by %s", l.Title, l.Battery, lifeSpan(l.Hours), lifeSpan(l.Low), lifeSpan(l.High), l.EndedBy)
	if l.Dominant != "" {
		text += ", most of the width from " + l.Dominant
	}
	return text + "; a year is 8766 h"
}

// lifeSpan is a life for reading, in hours, days or years.
func lifeSpan(hours float64) string {
	switch {
	case math.IsInf(hours, 1):
		return "for ever"
	case hours >= cell.YearHours:
		return fmt.Sprintf("%.3g years", hours/cell.YearHours)
	case hours >= 48:
		return fmt.Sprintf("%.3g days", hours/24)
	}
	return fmt.Sprintf("%.3g h", hours)
}
