package device

import (
	"math"
	"time"
)

// Heat is the one-pole thermal model of a part: a thermal resistance to ambient and a time constant.
type Heat struct {
	AmbientC  float64 // ambient temperature, degC
	KPerWatt  float64 // junction to ambient; 0 keeps the part at ambient
	TauSecond float64 // time constant; 0 follows at once
}

func (h *Heat) check(c *check) {
	c.within("AmbientC", h.AmbientC, -zeroCelsius, 1000)
	c.notNegative("KPerWatt", h.KPerWatt)
	c.notNegative("TauSecond", h.TauSecond)
}

// Steady returns the temperature, in degC, that watts lead to in the end.
func (h *Heat) Steady(watts float64) float64 { return h.AmbientC + h.KPerWatt*watts }

// After returns the temperature, in degC, after a time at constant power: an exact exponential.
func (h *Heat) After(celsius, watts float64, d time.Duration) float64 {
	end := h.Steady(watts)
	if h.TauSecond == 0 {
		return end
	}
	return end + (celsius-end)*math.Exp(-d.Seconds()/h.TauSecond)
}

// settleTemperature finds the temperature at which the power and the cooling agree, by fixed-point iteration, which
// converges as long as KPerWatt dP/dT is below 1.
func settleTemperature(h *Heat, start float64, watts func(celsius float64) float64) (float64, error) {
	celsius := start
	for range 200 {
		next := h.Steady(watts(celsius))
		if math.Abs(next-celsius) < 1e-9 {
			return next, nil
		}
		if !(math.Abs(next) < 1e4) {
			break
		}
		celsius = next
	}
	return celsius, ErrThermalRunaway
}
