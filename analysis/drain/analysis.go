package drain

import (
	"errors"
	"fmt"
	"math"

	"fourwire/quantity/measured"
)

// ErrEmpty says that a recording has no samples.
var ErrEmpty = errors.New("the recording has no samples: there is nothing to analyse")

type rangeSum struct {
	rng uint8
	n   int64
	sum float64
}

type cell struct{}

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
	return nil, ErrEmpty
}
