package drain

import (
	"errors"
	"fmt"
	"math"

	"fourwire/quantity/measured"
)

// ErrEmpty says that a recording has no samples.
var ErrEmpty = errors.New("the recording has no samples: there is nothing to analyse")

type analysis struct {
	blocks Blocks
	o      Options
}

func newAnalysis(blocks Blocks, o Options) (*analysis, error) {
	if !(o.IntervalSeconds > 0) || math.IsInf(o.IntervalSeconds, 0) {
		return nil, fmt.Errorf("%g s cannot be the interval of the samples: state a positive one", o.IntervalSeconds)
	}
	if o.Ledger == nil {
		o.Ledger = &measured.Ledger{}
	}
	return &analysis{blocks: blocks, o: o}, nil
}

func (a *analysis) run() (*Result, error) {
	s, err := a.scan()
	if err != nil {
		return nil, err
	}
	m := newMachine(a.findFloor(s), s, len(s.cells), a.wanted())
	if err := a.each(m.take); err != nil {
		return nil, err
	}
	m.end()
	return a.result(s, m), nil
}
