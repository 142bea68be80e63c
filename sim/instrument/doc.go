// Package instrument holds the virtual instruments of a simulated bench: programmable sources, electronic loads, meters and
// source-measure units, with what a controller can ask of them and with the errors that real ones have.
//
// An instrument has two sides. Towards the device under test it is a part of a circuit.Network: set points with slew, limits
// and modes, protections that latch, sense leads, burdens. Towards the controller it is a scpi.Device whose commands reach
// the first side. Between them stand the errors: what is set is not what was asked, and what is read is not what is there.
//
// Nothing here knows which bench it stands on: a World hands out the time and takes changes, and the bench engine moves each
// channel along through its Mover methods. Noise is a pure function of seed, instrument, channel, function and sample number,
// so that readings do not depend on who was asked first.
//
// Everything is in SI units; times are int64 nanoseconds of simulated time.
package instrument
