package driver

import (
	"context"
	"fmt"
	"math"
	"time"

	"fourwire/driver/model"
	"fourwire/quantity"
	"fourwire/quantity/measured"
)

// Function is what a meter measures.
type Function uint8

// The functions.
const (
	Volts Function = iota + 1
	Amps
)

// String is the word of the dialect.
func (f Function) String() string {
	if f == Amps {
		return "amps"
	}
	return "volts"
}

// Dim is the dimension of a reading.
func (f Function) Dim() quantity.Dimension {
	if f == Amps {
		return quantity.Current
	}
	return quantity.Voltage
}

// Request is one reading that is wanted.
type Request struct {
	Function Function
	Aperture time.Duration // 0: the model's default
	Expect   float64       // SI, for the choice of the range; NaN: the largest
}

// Reading is one reading.
type Reading struct {
	Value      measured.Value // with its error terms; X is NaN where Overload is set
	RangeFull  float64        // SI
	Overload   bool           // the value is beyond the range
	Inputs     string         // what the names of its error inputs begin with: "dmm-in ch1 volts 10 V"; empty without a ledger
	Start, End time.Time      // Start is before the aperture begins, End after it has ended
}

// Meter is the measuring side of a channel.
type Meter struct {
	*channel
	function Function
	from     *acquisition // of the reading that was begun
}

// Begin starts a reading; End waits for it and gives it. A reading that was begun before and not ended is given up.
//
// Readings of volts and amps of one channel that takes both together are of one acquisition when both are begun before either is ended.
func (m *Meter) Begin(ctx context.Context, r Request) error {
	if m.from != nil {
		m.from.wanted[m.function] = false
		m.from = nil
	}
	a, err := m.begin(ctx, r)
	if err != nil {
		return m.wrap(err)
	}
	m.from, m.function = a, r.Function
	return nil
}

// End waits for the reading that was begun.
func (m *Meter) End(ctx context.Context) (Reading, error) {
	if m.from == nil {
		return Reading{}, m.wrap(fmt.Errorf("%w: none was begun", ErrNoReading))
	}
	a := m.from
	m.from = nil
	r, err := a.reading(ctx, m.function)
	return r, m.wrap(err)
}

// Arm sets function, range and aperture without starting a reading, so that the meter is ready for what comes. A request without an
// aperture leaves it as it is.
func (m *Meter) Arm(ctx context.Context, r Request) error {
	if _, err := m.rangeFor(r); err != nil {
		return m.wrap(err)
	}
	switch {
	case m.records():
		return m.wrap(errRecords)
	case m.captures():
		return m.wrap(errCaptures)
	}
	if m.running != nil && m.running.open() {
		return m.wrap(ErrBusy)
	}
	return m.wrap(m.configure(ctx, r, r.Aperture))
}

// rangeFor picks the smallest range that holds what is expected.
func (c *channel) rangeFor(r Request) (model.Range, error) {
	ranges := c.ranges(r.Function)
	if len(ranges) == 0 {
		return model.Range{}, fmt.Errorf("measuring %s: %w", r.Function, ErrNoAbility)
	}
	if math.IsNaN(r.Expect) {
		return ranges[len(ranges)-1], nil
	}
	return model.Pick(ranges, r.Expect), nil
}

func (c *channel) ranges(f Function) []model.Range {
	switch f {
	case Volts:
		return c.spec.Volts
	case Amps:
		return c.spec.Amps
	}
	return nil
}

// aperture gives the model's aperture for what is asked: the next longer one, or the shortest.
func (c *channel) apertureFor(asked time.Duration) (time.Duration, error) {
	a := c.spec.Aperture
	if asked == 0 {
		asked = a.Default
	}
	for _, choice := range a.Choices {
		if choice >= asked {
			return choice, nil
		}
	}
	if asked > a.Most || len(a.Choices) > 0 {
		return 0, fmt.Errorf("an aperture of %v is asked, the model has %v to %v; average over several readings instead", asked, a.Least, a.Most)
	}
	return max(asked, a.Least), nil
}
