// Package scpi is the controller's side of the words of IEEE 488.2 and SCPI-1999: it writes program data and reads responses.
//
// Writing is strict: what goes out is what the standard defines. Reading is lenient where instruments are known to depart from
// it (units behind numbers, blanks, ON for 1, strings without quotes) and strict where leniency would change a value: a decimal
// comma, a truncated block or text where a number belongs is an error.
//
// A reading that an instrument gives as one of the standard's special numbers (9.9E37 for overload, 9.91E37 for none) becomes a
// [Number] that says so, never a number to calculate with.
//
// Nothing here sends, waits or keeps what it is given. Slices that are returned lie in the memory of those that were handed in,
// and nothing is allocated where the caller hands in room.
package scpi
