package quantity

import (
	"fmt"
	"strings"
)

// Dimension is a product of powers of the SI base units metre, kilogram, second, ampere and kelvin. The zero value is a
// plain ratio. Dimensions are comparable with ==.
type Dimension struct {
	Metre, Kilogram, Second, Ampere, Kelvin int8
}

// The dimensions that a power bench meets.
var (
	Ratio       = Dimension{}
	Time        = Dimension{Second: 1}
	Frequency   = Dimension{Second: -1}
	Current     = Dimension{Ampere: 1}
	Charge      = Dimension{Second: 1, Ampere: 1}
	Voltage     = Dimension{Metre: 2, Kilogram: 1, Second: -3, Ampere: -1}
	Resistance  = Dimension{Metre: 2, Kilogram: 1, Second: -3, Ampere: -2}
	Conductance = Dimension{Metre: -2, Kilogram: -1, Second: 3, Ampere: 2}
	Power       = Dimension{Metre: 2, Kilogram: 1, Second: -3}
	Energy      = Dimension{Metre: 2, Kilogram: 1, Second: -2}
	Capacitance = Dimension{Metre: -2, Kilogram: -1, Second: 4, Ampere: 2}
	Inductance  = Dimension{Metre: 2, Kilogram: 1, Second: -2, Ampere: -2}
	Temperature = Dimension{Kelvin: 1}
	VoltageSlew = Voltage.Over(Time)
	CurrentSlew = Current.Over(Time)
)

// Times is the dimension of a product.
func (d Dimension) Times(e Dimension) Dimension {
	return Dimension{d.Metre + e.Metre, d.Kilogram + e.Kilogram, d.Second + e.Second, d.Ampere + e.Ampere, d.Kelvin + e.Kelvin}
}

// Over is the dimension of a quotient.
func (d Dimension) Over(e Dimension) Dimension {
	return Dimension{d.Metre - e.Metre, d.Kilogram - e.Kilogram, d.Second - e.Second, d.Ampere - e.Ampere, d.Kelvin - e.Kelvin}
}

// Power is the dimension of the n-th power.
func (d Dimension) Power(n int) Dimension {
	k := int8(n)
	return Dimension{d.Metre * k, d.Kilogram * k, d.Second * k, d.Ampere * k, d.Kelvin * k}
}

// Root is the dimension of the square root; ok is false where an exponent is odd.
func (d Dimension) Root() (root Dimension, ok bool) {
	for _, e := range []int8{d.Metre, d.Kilogram, d.Second, d.Ampere, d.Kelvin} {
		if e%2 != 0 {
			return Dimension{}, false
		}
	}
	return Dimension{d.Metre / 2, d.Kilogram / 2, d.Second / 2, d.Ampere / 2, d.Kelvin / 2}, true
}

// Name says the dimension in words: "voltage", "current", "a ratio", or its unit where it has no name.
func (d Dimension) Name() string {
	if n, ok := dimensionNames[d]; ok {
		return n
	}
	return "a quantity in " + d.Unit()
}

// Unit is the coherent SI unit: "V", "A/s", "kg.m2"; empty for a ratio.
func (d Dimension) Unit() string {
	if u, ok := coherentUnits[d]; ok {
		return u
	}
	var top, bottom []string
	for _, b := range []struct {
		symbol string
		power  int8
	}{{"kg", d.Kilogram}, {"m", d.Metre}, {"s", d.Second}, {"A", d.Ampere}, {"K", d.Kelvin}} {
		switch {
		case b.power == 1:
			top = append(top, b.symbol)
		case b.power > 1:
			top = append(top, fmt.Sprintf("%s%d", b.symbol, b.power))
		case b.power == -1:
			bottom = append(bottom, b.symbol)
		case b.power < -1:
			bottom = append(bottom, fmt.Sprintf("%s%d", b.symbol, -b.power))
		}
	}
	if len(top) == 0 {
		top = []string{"1"}
	}
	if len(bottom) == 0 {
		return strings.Join(top, ".")
	}
	return strings.Join(top, ".") + "/" + strings.Join(bottom, ".")
}

var dimensionNames = map[Dimension]string{
	Ratio: "a ratio", Time: "time", Frequency: "frequency", Current: "current", Charge: "charge", Voltage: "voltage",
	Resistance: "resistance", Conductance: "conductance", Power: "power", Energy: "energy", Capacitance: "capacitance",
	Inductance: "inductance", Temperature: "temperature", VoltageSlew: "voltage slew", CurrentSlew: "current slew",
}

var coherentUnits = map[Dimension]string{
	Ratio: "", Time: "s", Frequency: "Hz", Current: "A", Charge: "C", Voltage: "V", Resistance: "ohm", Conductance: "S",
	Power: "W", Energy: "J", Capacitance: "F", Inductance: "H", Temperature: "K", VoltageSlew: "V/s", CurrentSlew: "A/s",
	Ratio.Over(Voltage): "1/V", Current.Over(Voltage).Over(Voltage): "A/V2", Resistance.Over(Power): "ohm/W", // of parts
}
