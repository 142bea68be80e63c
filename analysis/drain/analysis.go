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

// maxCoarser bounds how far tolerances are widened where a recording falls into too many events.
const maxCoarser = 1 << 12

func (a *analysis) run() (*Result, error) {
	s, err := a.scan()
	if err != nil {
		return nil, err
	}
	for coarser := 1.0; ; coarser *= 2 {
		f := a.findFloor(s, coarser)
		m := newMachine(f, s, len(s.cells))
		switch err := a.each(m.take); {
		case errors.Is(err, errTooMany) && coarser < maxCoarser:
			continue
		case err != nil:
			return nil, err
		}
		m.end()
		return a.result(s, m), nil
	}
}
