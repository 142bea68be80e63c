package plan

import (
	"slices"

	"fourwire/driver/bench"
	"fourwire/driver/model"
	"fourwire/internal/diag"
	"fourwire/sequence"
)

// Kinds lists the kinds of margin. Those that are Acceptable spoil results at worst: they can be accepted with a reason. The
// others protect device and instruments, or ask what an instrument cannot do at all.
func Kinds() []Kind {
	return []Kind{
		{"volts", false}, {"amps", false}, {"watts", false}, {"derating", false}, {"quadrant", false}, {"ohms", false}, {"protection", false}, {"range", false},
		{"interval", false}, {"buffer", false},
		{"minimum voltage", true}, {"burden", true}, {"sense", true}, {"slew", true}, {"resolution", true}, {"accuracy", true}, {"current limit", true}, {"start-up", true},
	}
}

// Kind is one kind of margin.
type Kind struct {
	Name       string
	Acceptable bool
}

// Acceptable tells whether a misfit of this margin may be accepted.
func (m Margin) Acceptable() bool {
	return slices.Contains(Kinds(), Kind{m.Kind, true})
}

// acceptable tells whether a candidate fits but for what may be accepted.
func (c Candidate) acceptable() bool {
	if c.Why != "" || len(c.Margins) == 0 {
		return false
	}
	for _, m := range c.Margins {
		if m.Verdict() == Misfits && !m.Acceptable() {
			return false
		}
	}
	return true
}

// Options of [BindWith]. The zero value accepts nothing.
type Options struct {
	// Accept is the reason for which misfits that can only spoil results are taken as warnings; empty: they are faults. What
	// protects device and instruments cannot be accepted.
	Accept string
	// Files are the files that the steps name, by the name that they have there.
	Files map[string][]byte
}

// Bind binds a sequence to a bench. models holds the model of each instrument by the instrument's name on the bench. Whatever
// does not fit is added to found; the plan is never nil, and is to be run only where nothing failed.
func Bind(seq *sequence.Sequence, b *bench.Bench, models map[string]*model.Model, found *diag.Findings) *Plan {
	return BindWith(seq, b, models, Options{}, found)
}

// misfit adds a fault, or a warning where it is accepted.
func (c *binder) misfit(at diag.Place, hint, format string, args ...any) {
	if c.options.Accept != "" {
		c.found.Warn(at, hint, format, args...)
		return
	}
	c.found.AddHint(at, hint+acceptHint, format, args...)
}

const acceptHint = `; or run it all the same with --accept-fit "REASON", which the record keeps`
