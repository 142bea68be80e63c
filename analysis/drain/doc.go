// Package drain says where the charge of a battery goes: from the recorded current of a device it finds the floor the device sleeps
// at, the events in which it is awake, the states within them, kinds of events that are alike, and the share of each in time and charge.
//
// Everything streams: a recording is read twice in blocks and never held as a whole. Each sample is taken as the mean over its
// interval, so that the charge is the sum of the samples times the interval; gaps end whatever was going on and are never bridged.
//
// No threshold is set by hand. The floor is the lowest mode of the distribution of the current that holds a noticeable part of the
// time. Its noise is the larger of two robust figures, the quartile of the differences between neighbours and the median of the spread
// of short tiles, and the threshold at which an event begins is so many times that noise above the floor that a recording of this length has
// one false event in a hundred recordings. The floor is followed as it drifts. Inside an event a two-sided cumulative sum (Page's test)
// finds where the level changes; levels of all events are then grouped at the valleys of their density on a logarithmic axis.
// How each was found is told in words beside the results.
//
// Uncertainties come from the measuring ranges in use: the gain of a range acts on the charge that was measured in it, its offset on the
// time spent in it. Inputs are named by range, so that two states measured in one range, or two recordings by one unit, share their
// errors. What a longer recording would improve is told apart, as the statistical part.
package drain
