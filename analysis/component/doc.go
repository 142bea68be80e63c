// Package component turns current-voltage points of a part into its parameters with their uncertainty: diodes and LEDs, solar
// cells, square-law MOSFETs, low resistances by current reversal, the leakage of a capacitor.
package component
