package driver

import (
	"context"
	"fmt"
	"math"
	"time"

	"fourwire/internal/clock"
	"fourwire/quantity"
)

// DischargedVolts is the voltage below which a node counts as discharged: own choice, far below any touch limit.
const DischargedVolts quantity.Volt = 1

// TouchVolts is the voltage above which a charged node is announced as dangerous: DC limit of energy class ES1 of IEC 62368-1, as quoted.
const TouchVolts quantity.Volt = 60

// Gauge is what a discharge is watched with; a *Meter is one.
type Gauge interface {
	Begin(context.Context, Request) error
	End(context.Context) (Reading, error)
}

// Discharge says how the discharge of a node is watched.
type Discharge struct {
	Safe     quantity.Volt // below it the node is discharged; 0 is DischargedVolts
	Within   time.Duration // how long one looks
	Aperture time.Duration // of a reading; 0: the model's default
	Expect   float64       // V, for the range; NaN: the largest
	Clock    clock.Clock
	Seen     func(volts float64) // sees each reading; nil: nobody
}

// Remains is what stands at a node after everything was switched off.
type Remains struct {
	Volts      float64 // the last reading; NaN where there is none
	Discharged bool
	Left       time.Duration // estimated time until it is discharged; 0 where it is, or where no decay was seen
	Looked     time.Duration
	Err        error // why it cannot be measured
}

const dischargePoll = 50 * time.Millisecond // between looks at a node

// Watch measures a node until it is discharged or time is up. Where charge is left, the time that it still takes is worked out from the decay
// between the first and the last reading of the second half of the watch, taken as exponential: t = tau ln(V/Vsafe).
func (d Discharge) Watch(ctx context.Context, g Gauge) (left Remains) {
	c := clock.Or(d.Clock)
	safe := float64(d.Safe)
	if safe <= 0 {
		safe = float64(DischargedVolts)
	}
	left.Volts = math.NaN()
	begun := c.Now()
	var seen []decay
	for {
		if left.Err = g.Begin(ctx, Request{Function: Volts, Aperture: d.Aperture, Expect: d.Expect}); left.Err != nil {
			return left
		}
		reading, err := g.End(ctx)
		if left.Err = err; err != nil {
			return left
		}
		left.Volts, left.Looked = reading.Value.X, c.Since(begun)
		if d.Seen != nil {
			d.Seen(left.Volts)
		}
		if left.Discharged = !reading.Overload && math.Abs(left.Volts) < safe; left.Discharged {
			return left
		}
		if !reading.Overload {
			seen = append(seen, decay{left.Looked, math.Abs(left.Volts)})
		}
		if left.Looked >= d.Within {
			if reading.Overload {
				left.Err = fmt.Errorf("it is beyond the %s range", quantity.Of(reading.RangeFull, quantity.Voltage))
			}
			left.Left = timeLeft(seen, safe)
			return left
		}
		if left.Err = c.Sleep(ctx, dischargePoll); left.Err != nil {
			return left
		}
	}
}

// decay is one look at a node.
type decay struct {
	at    time.Duration
	volts float64
}

// timeLeft estimates how long a node takes from its last reading until it stands at safe; 0 where it does not fall.
func timeLeft(seen []decay, safe float64) time.Duration {
	if len(seen) < 2 {
		return 0
	}
	first, last := seen[(len(seen)-1)/2], seen[len(seen)-1]
	if !(last.volts > safe && first.volts > last.volts*(1+1e-4)) { // what falls by less is noise
		return 0
	}
	tau := (last.at - first.at).Seconds() / math.Log(first.volts/last.volts)
	seconds := tau * math.Log(last.volts/safe)
	if seconds > 1e6 {
		return 0
	}
	return time.Duration(seconds * float64(time.Second)).Round(100 * time.Millisecond)
}

// String says what stands there, and for how long still.
func (r Remains) String() string {
	volts := quantity.Of(r.Volts, quantity.Voltage).Text(3)
	span := func(d time.Duration) string { return quantity.Of(d.Seconds(), quantity.Time).Text(2) }
	switch {
	case r.Err != nil:
		return fmt.Sprintf("whether it is discharged cannot be measured: %v", r.Err)
	case r.Discharged:
		return "discharged: " + volts
	case r.Left > 0:
		return fmt.Sprintf("still at %s after %s; discharged in about %s if it goes on like this", volts, span(r.Looked), span(r.Left))
	}
	return fmt.Sprintf("still at %s after %s, and it does not fall", volts, span(r.Looked))
}
