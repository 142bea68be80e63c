// Package sim is a test bench in memory: devices under test, leads and virtual instruments, with one simulated time for all of
// them, so that sequences run against it without hardware and hours pass in seconds.
//
// A [Scenario], read from its own file, states the truth: what stands on the bench, how it is really wired, and how wrong each
// instrument really is. [New] makes a [Bench] of it. Each instrument is reached by [Bench.Link] (in process, in virtual time) or by
// [Bench.Connect] (bytes in, bytes out, for servers); what they say is executed by the project's own device side of IEEE 488.2, which
// shares nothing with the controller side.
//
// The same scenario, seed and commands at the same simulated times give the same bytes in every run. [Bench.Truth] shows what
// no instrument can see, and [Bench.Events] what happened in which order; both are for tests.
package sim
