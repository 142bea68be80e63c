// Package sweep gives the figures that are read off a sweep of points: line and load regulation, output resistance,
// thresholds and hysteresis, dropout, the peak of a curve, changes of mode, averages at standard loads, drift.
//
// Columns are slices of measured values in the order measured, one element for each point; those that belong together have
// one length. A point in which a column has no finite value is left out. Every result is a measured value again, so that an
// error that its inputs share (the gain of one meter on one range, say) cancels wherever the formula takes a difference or a
// ratio. As in package measured, the caller has checked dimensions; nothing is extrapolated.
//
// Where a figure has scatter, or a resolution, that no input stands for yet, the function takes the ledger of the run and
// adds an input of its own. Such an input is made so wide that twice the standard uncertainty covers about 95 % in spite of
// few points (Student's t, JCGM 100:2008, G.3).
package sweep
