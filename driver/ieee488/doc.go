// Package ieee488 is the controller's side of IEEE 488.2: common commands, status registers, synchronisation and the error
// queue of one instrument.
//
// A [Device] sends commands and asks questions over a link. What goes wrong is a [Fault]: who, what was sent, what the error queue
// said, and the cause. No answer, part of an answer and an empty answer are three different errors.
//
// An answer that comes too late is never taken for the next one: after a failed question the device is astray, and before the next
// question it is brought into step by asking for its identity until that comes. A question that ran out of time because the
// instrument refused it (a refused query has no answer) comes back with the refusal in [Fault.Queue].
//
// Waiting for long operations does not block the connection: [Device.WaitComplete] has the instrument note the end in its event
// register and looks there from time to time.
package ieee488
