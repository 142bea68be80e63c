package run

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"time"

	"fourwire/internal/diag"
	"fourwire/sequence"
	"fourwire/sequence/expr"
)

// Response is how fast the output of a source has been seen to move. A reading shows only that an output has arrived, or has not yet: where the
// first one finds it there, the time is an upper limit.
type Response struct {
	Instrument string
	Up         float64 // s, from the command that switched it on until a reading was inside the band; NaN: not seen
	UpAfter    float64 // s, when a reading was last outside; 0: none was
	Down       float64 // s, from the command that switched it off until its node was found discharged; NaN: not seen
}

// The band in which an output counts as arrived: own choice.
const (
	arrivedPart  = 0.01
	arrivedVolts = 0.02
)

// rising is an output on its way up.
type rising struct {
	role  int
	node  string
	volts float64
	since time.Time
	after time.Duration // when a reading was last outside the band
	more  *rising       // another output
}

// at tells the account of time which step the run is at.
func (r *runner) at(place diag.Place) {
	if r.cfg.Spans == nil {
		return
	}
	if place.Line == 0 {
		r.cfg.Spans.Step("")
		return
	}
	text, ok := r.places[place]
	if !ok {
		if r.places == nil {
			r.places = map[diag.Place]string{}
		}
		text = placeText(place)
		r.places[place] = text
	}
	r.cfg.Spans.Step(text)
}

// placeText is the place of a step without the folder of its file.
func placeText(p diag.Place) string {
	p.File = filepath.Base(p.File)
	return p.String()
}

// rises watches an output that is about to be switched on for the first time in this run.
func (r *runner) rises(i int, volts float64) {
	role := &r.roles[i]
	if role.response.Instrument != "" || math.IsNaN(volts) {
		return
	}
	role.response = Response{Instrument: role.Channel.Instrument, Up: nan, Down: nan}
	r.rising = &rising{role: i, node: role.Need.Node, volts: volts, since: r.clock.Now(), more: r.rising}
}

// seeRising looks at a reading for outputs that are on their way up.
func (r *runner) seeRising(g *gaugeState) {
	if r.rising == nil || g.Function != sequence.Volts {
		return
	}
	for at := &r.rising; *at != nil; {
		o := *at
		if o.node != g.Node || g.last.Overload {
			at = &o.more
			continue
		}
		if off := math.Abs(g.last.Value.X - o.volts); off > max(arrivedPart*math.Abs(o.volts), arrivedVolts) {
			o.after = g.last.End.Sub(o.since)
			at = &o.more
			continue
		}
		// it was there while the reading was taken, so by its beginning, or by the end of the one before
		response := &r.roles[o.role].response
		response.Up, response.UpAfter = max(g.last.Start.Sub(o.since), o.after).Seconds(), o.after.Seconds()
		*at = o.more
	}
}

// fallen keeps how long the node of a role took to be discharged after it was switched off.
func (r *runner) fallen(i int, after NodeAfter) {
	role := &r.roles[i]
	if role.feed == nil || role.offAt.IsZero() || !after.Discharged || role.response.Instrument == "" {
		return
	}
	role.response.Down = r.clock.Since(role.offAt).Seconds()
}

// responses is what is known of the outputs of sources.
func (r *runner) responses() []Response {
	var out []Response
	for i := range r.roles {
		if r.roles[i].response.Instrument != "" {
			out = append(out, r.roles[i].response)
		}
	}
	return out
}

// StepTexts says of each step of a sequence, by its place as the account of time has it, in a few words what it does.
func StepTexts(s *sequence.Sequence) map[string]string {
	out := map[string]string{}
	var walk func([]sequence.Step)
	walk = func(steps []sequence.Step) {
		for _, s := range steps {
			if place := s.At(); place.Line > 0 {
				out[placeText(place)] = stepText(s)
			}
			switch s := s.(type) {
			case *sequence.Sweep:
				walk(s.Steps)
			case *sequence.Repeat:
				walk(s.Steps)
			case *sequence.Record:
				walk(s.Steps)
			case *sequence.Emulate:
				walk(s.Steps)
			case *sequence.Capture:
				walk(s.Steps)
			case *sequence.Rails:
				walk(s.Steps)
			case *sequence.When:
				walk(s.Then)
				walk(s.Else)
			}
		}
	}
	walk(s.Steps)
	return out
}

// stepText is a step in a few words: "wait 500 ms", "settle v(dut.out)".
func stepText(s sequence.Step) string {
	switch s := s.(type) {
	case *sequence.Source:
		return "source " + s.Role + settings(s.Volts, s.Amps, s.Output)
	case *sequence.Load:
		return "load " + s.Role + settings(s.Hold, nil, s.Input)
	case *sequence.Measure:
		names := make([]string, len(s.Readings))
		for i := range s.Readings {
			names[i] = s.Readings[i].Name
		}
		return "measure " + strings.Join(names, ", ")
	case *sequence.Zero:
		return "zero"
	case *sequence.Derive:
		return "derive"
	case *sequence.Judge:
		return "judge"
	case *sequence.Sweep:
		return "sweep " + s.Name
	case *sequence.Repeat:
		return fmt.Sprintf("repeat %d times", s.Times)
	case *sequence.Settle:
		return "settle " + s.Value.Text
	case *sequence.Check:
		return "check " + s.Value.Text
	case *sequence.Wait:
		return "wait " + s.For.Text
	case *sequence.When:
		return "when " + s.If.Text
	case *sequence.Record:
		return "record " + s.Trace
	case *sequence.Capture:
		return "capture " + s.Trace
	case *sequence.List:
		return "list " + s.Role
	case *sequence.Figures:
		return s.Title()
	case *sequence.Profile:
		return "profile " + s.Role
	case *sequence.Rails:
		return "rails " + s.Name
	case *sequence.Switching:
		return "switch " + s.Role
	case *sequence.Short:
		return "short " + s.Role
	case *sequence.Drain:
		return "drain"
	case *sequence.Life:
		return "life"
	case *sequence.Emulate:
		return "emulate " + s.Role
	case *sequence.Reverse:
		return "reverse " + s.Role + settings(s.Amps, nil, sequence.Unsaid)
	case *sequence.Fit:
		return "fit " + string(s.Kind)
	}
	return strings.ToLower(strings.TrimPrefix(fmt.Sprintf("%T", s), "*sequence."))
}

func settings(first, second *expr.Expr, on sequence.Switch) string {
	text := ""
	for _, e := range []*expr.Expr{first, second} {
		if e != nil {
			text += " " + e.Text
		}
	}
	if on == sequence.Off {
		text += " off"
	}
	return text
}
