// Package battery is a cell as arithmetic: an open-circuit voltage against charge, a series resistance and up to three
// resistor-capacitor pairs, stepped exactly for a held current; fits of such a cell to discharges and pulse tests; and the
// life that a mean current leaves it.
//
//	V = OCV(s) - u1 - u2 - u3 - R0(s, T) i        discharge current i > 0, charge s from 0 (empty) to 1 (full)
//	u <- u e + R i (1 - e),  e = exp(-h/tau)      exact while i is held for h seconds
//	s <- s - i h / Q
//
// The model is the equivalent circuit that text books on battery management use. It leaves out hysteresis, heat of its own
// and the dependence of capacity on rate beyond what its resistances make: published fits of it to real cells are off by
// 17 mV on long pulses and 44 mV on pulse tests, so do not expect millivolts from it.
//
// A year here is 365.25 days, 8766 hours ([YearHours]); others count 8760, which is 0.07 % less.
package battery
