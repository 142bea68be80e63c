// Package component turns current-voltage points of a part into its parameters with their uncertainty: diodes and LEDs, solar
// cells, square-law MOSFETs, low resistances by current reversal, the leakage of a capacitor.
//
// Parameters come from least squares (Levenberg and Marquardt), their uncertainty from the Jacobian at the minimum: with the
// uncertainties of the points where they are stated, enlarged where the points scatter by more; else with the scatter of the
// points about the model. Errors that all points share (the gain of the meter, the temperature of the part) move the
// parameters together and are not in it: the caller propagates them by fitting again with the error put in.
//
// Points at which the source was in compliance show the limit of the source and not the part. They carry a flag and never
// enter a fit; each result says how many were left out.
package component
