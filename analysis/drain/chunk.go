package drain

import (
	"fmt"
	"math"
)

// chunkSamples is how many samples a chunk has. Chunks begin at its multiples, wherever the blocks of the recording begin, so that no
// result depends on how a recording was cut into blocks.
const chunkSamples = 4096

// chunk is a stretch of samples without a gap.
type chunk struct {
	start       int64
	amps, volts []float32
	runs        []Run // never empty
	gap         int64 // samples that are missing in front of it
}

// chunker cuts blocks into chunks.
type chunker struct {
	ranges int // how many there may be; 0: ranges are not looked at
	give   func(*chunk) error

	amps, volts []float32 // what waits for the rest of its chunk
	hasVolts    bool
	start, next int64 // of what waits, and behind it
	begun       bool
	runs        []Run
	gap         int64
	out         chunk
}

// each calls give for each chunk in order.
func (a *analysis) each(give func(*chunk) error) error {
	c := &chunker{ranges: len(a.o.Ranges), give: give, amps: make([]float32, 0, chunkSamples), volts: make([]float32, 0, chunkSamples)}
	for b, err := range a.blocks {
		if err != nil {
			return err
		}
		if err := c.take(b); err != nil {
			return err
		}
	}
	return c.flush()
}

func (c *chunker) take(b *Block) error {
	if len(b.Amps) == 0 {
		return nil
	}
	if b.Volts != nil && len(b.Volts) != len(b.Amps) {
		return fmt.Errorf("the block from sample %d has %d currents and %d voltages: they belong together", b.Start, len(b.Amps), len(b.Volts))
	}
	if c.begun && b.Start < c.next {
		return fmt.Errorf("the block from sample %d begins before sample %d, where the one before it ended: blocks follow each other", b.Start, c.next)
	}
	if c.ranges > 0 {
		for i, r := range b.Runs {
			if int(r.Range) >= c.ranges || r.At < 0 || i > 0 && r.At < b.Runs[i-1].At {
				return fmt.Errorf("the block from sample %d is in range %d from offset %d: there are ranges 0 to %d, in order of offset", b.Start, r.Range, r.At, c.ranges-1)
			}
		}
	}
	if c.begun && b.Start > c.next {
		if err := c.flush(); err != nil {
			return err
		}
		c.gap = b.Start - c.next
	}
	c.begun, c.next = true, b.Start+int64(len(b.Amps))
	run, rng := 0, uint8(0)
	for at := 0; at < len(b.Amps); {
		if len(c.amps) > 0 && c.hasVolts != (b.Volts != nil) {
			if err := c.flush(); err != nil {
				return err
			}
		}
		index := b.Start + int64(at)
		if len(c.amps) == 0 {
			c.start, c.hasVolts, c.runs = index, b.Volts != nil, c.runs[:0]
		}
		end := min(len(b.Amps), at+int(chunkSamples-floorMod(index)))
		run, rng = c.note(b, at, end, run, rng)
		if len(c.amps) == 0 && floorMod(index) == 0 && end-at == chunkSamples { // whole: no need to copy
			c.out = chunk{start: index, amps: b.Amps[at:end], runs: c.runs, gap: c.gap}
			if c.hasVolts {
				c.out.volts = b.Volts[at:end]
			}
			c.gap = 0
			if err := c.give(&c.out); err != nil {
				return err
			}
		} else {
			c.amps = append(c.amps, b.Amps[at:end]...)
			if c.hasVolts {
				c.volts = append(c.volts, b.Volts[at:end]...)
			}
			if floorMod(b.Start+int64(end)) == 0 {
				if err := c.flush(); err != nil {
					return err
				}
			}
		}
		at = end
	}
	return nil
}

// note notes the ranges of b[at:end]; run and rng are where the block stands.
func (c *chunker) note(b *Block, at, end, run int, rng uint8) (int, uint8) {
	if c.ranges == 0 {
		if len(c.runs) == 0 {
			c.runs = append(c.runs, Run{})
		}
		return 0, 0
	}
	put := func(at int, r uint8) {
		if n := len(c.runs); n > 0 && c.runs[n-1].Range == r {
			return
		}
		c.runs = append(c.runs, Run{at, r})
	}
	base := len(c.amps) - at
	for run < len(b.Runs) && b.Runs[run].At <= at {
		rng = b.Runs[run].Range
		run++
	}
	put(at+base, rng)
	for run < len(b.Runs) && b.Runs[run].At < end {
		rng = b.Runs[run].Range
		if n := len(c.runs); c.runs[n-1].At == b.Runs[run].At+base {
			c.runs = c.runs[:n-1]
		}
		put(b.Runs[run].At+base, rng)
		run++
	}
	return run, rng
}

func floorMod(index int64) int64 { return index & (chunkSamples - 1) }

func (c *chunker) flush() error {
	if len(c.amps) == 0 {
		return nil
	}
	c.out = chunk{start: c.start, amps: c.amps, runs: c.runs, gap: c.gap}
	if c.hasVolts {
		c.out.volts = c.volts
	}
	err := c.give(&c.out)
	c.gap, c.amps, c.volts = 0, c.amps[:0], c.volts[:0]
	return err
}

// whereRun gives the range at an offset and where it ends; run is a cursor that the caller keeps while it goes forward.
func (c *chunk) whereRun(at int, run *int) (rng uint8, end int) {
	for *run+1 < len(c.runs) && c.runs[*run+1].At <= at {
		*run++
	}
	end = len(c.amps)
	if *run+1 < len(c.runs) {
		end = c.runs[*run+1].At
	}
	return c.runs[*run].Range, end
}

func (c *chunk) voltsOf(from, to int) []float32 {
	if c.volts == nil {
		return nil
	}
	return c.volts[from:to]
}

// notANumber finds the sample that spoilt a sum.
func (c *chunk) notANumber() error {
	for i, v := range c.amps {
		if math.IsNaN(float64(v)) || math.IsInf(float64(v), 0) {
			return fmt.Errorf("sample %d is %g A, no current: leave it out as a gap", c.start+int64(i), v)
		}
	}
	for i, v := range c.volts {
		if math.IsNaN(float64(v)) || math.IsInf(float64(v), 0) {
			return fmt.Errorf("sample %d has %g V, no voltage: leave it out as a gap", c.start+int64(i), v)
		}
	}
	return fmt.Errorf("the samples from %d on are too large to be added", c.start)
}
