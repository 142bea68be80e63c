package main

// expectLimits has nothing to do: a write that has no room is an error.
func expectLimits() {}
