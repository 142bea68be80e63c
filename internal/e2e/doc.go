// Package e2e holds tests of the whole chain in one process: example sequences, bound to their bench, driven over in-process
// links against the simulated bench in virtual time, and held against what the simulator knows to be true.
package e2e
