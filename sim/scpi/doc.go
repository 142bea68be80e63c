// Package scpi is the device side of IEEE 488.2 and SCPI-1999: it turns the bytes that a controller sends into calls of
// handlers, and what the handlers answer into response bytes, with the status model, the error queue and the message
// exchange rules in between. A simulated instrument declares its commands in a [Options] and opens one [Session] per
// connection.
//
// Nothing here blocks, starts a goroutine or looks at a clock. A session is a state machine under the caller's lock:
// [Session.Feed] queues bytes, [Session.Run] executes what can be executed at the time it is told and returns the time
// at which it can go on, [Session.Output] and [Session.Receive] hand out response bytes. Times are nanoseconds on
// whatever clock the caller keeps; spans are time.Duration.
//
// Registers, error queue and pending operations belong to the [Device] and are shared by its sessions; parser, header
// path, input buffer and output queue belong to each session.
//
// The standards were not open when this was written: rules come from published manuals and from memory of IEEE 488.2
// clauses 6 to 10 and SCPI-1999 volume 1; the tests name the origin of each figure. The package shares no line with the
// controller side of the project, so that each checks the other.
package scpi
