// Package expr gives the expressions of a sequence: arithmetic, comparisons and functions over quantities, checked for
// dimensions when a file is read, evaluated over measured values so that uncertainty comes along.
package expr
