// Package transport carries whole messages to one instrument and back, whatever the wire.
//
// Three words are enough to read the rest. An [Address] says in text where an instrument is and how its interface behaves. A
// [Link] is an open way to one instrument: it sends one whole message, and receives one whole response. A [Wire] is the plain stream
// of bytes under most links; [Stream] makes a Link of a Wire by finding out where a response ends.
//
// Nothing here knows what a message means. The packages below transport know one wire each (tcp, serial), dial turns an address
// into a link, and transporttest holds the suite that every wire has to pass, with fakes for the layers above.
//
// # Deadlines
//
// The context is the deadline, down to the wire: when it is done, a blocked call returns at once. A Receive that ends without
// a whole response leaves an answer behind that may still come. The link is then astray: it refuses to receive, and to
// send anything with a question mark, with [ErrAstray], so that a late reading is never taken for the next one. Commands still pass, since
// switching an output off must not depend on it. [Resync] or [Clearer] ends that state; closing and opening again does too.
//
// # Behaviour by wrapping
//
// A wire log ([WithTap]), a pause between messages ([WithGap]) and an instrument that echoes ([WithEcho]) are links around
// a link. [As] looks through them for abilities that only some wires have.
package transport
