// Package device models what stands on a simulated bench as parts of a circuit.Network: converters, passive parts and
// semiconductors under test, and the output characteristics of sources and electronic loads.
//
// Losses come first: a converter's input power is its output power plus the sum of its losses, so that energy closes at
// every operating point. Every part has a defined current at every voltage, also reversed and collapsed.
//
// The equations are standard circuit and converter theory. Typical parameter values in comments are from memory.
package device

import (
	"errors"
	"fmt"
	"math"
)

// ErrParameter means that a parameter of a part cannot be: not a number, infinite, negative or contradictory.
var ErrParameter = errors.New("parameter out of range")

// ErrOverload means that a converter cannot deliver the asked current at all.
var ErrOverload = errors.New("load above what the converter delivers")

// ErrThermalRunaway means that a part heats itself faster than it can shed heat: no steady temperature exists.
var ErrThermalRunaway = errors.New("thermal runaway")

// check collects complaints about the parameters of one part.
type check struct {
	part     string
	problems []error
}

// positive complains unless x is finite and above 0.
func (c *check) positive(name string, x float64) {
	if !(x > 0) || math.IsInf(x, 0) {
		c.add("%s is %g; it must be above 0", name, x)
	}
}

// notNegative complains unless x is finite and 0 or more.
func (c *check) notNegative(name string, x float64) {
	if !(x >= 0) || math.IsInf(x, 0) {
		c.add("%s is %g; it must be 0 or more", name, x)
	}
}

// within complains unless low <= x <= high.
func (c *check) within(name string, x, low, high float64) {
	if !(x >= low && x <= high) {
		c.add("%s is %g; it must be within %g and %g", name, x, low, high)
	}
}

func (c *check) add(format string, arguments ...any) {
	c.problems = append(c.problems, fmt.Errorf("%s: %w: %s", c.part, ErrParameter, fmt.Sprintf(format, arguments...)))
}

func (c *check) err() error { return errors.Join(c.problems...) }

const zeroCelsius = 273.15 // K

// thermalVolt returns kT/q in V (CODATA 2018 k and q, both exact).
func thermalVolt(celsius float64) float64 {
	return 1.380649e-23 / 1.602176634e-19 * (celsius + zeroCelsius)
}
