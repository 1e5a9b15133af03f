// Package broadcast is the periodic messages of a unit: it sends those that a
// network's .dbc file gives to the unit, and hears those of others.
//
// A [Sender] knows when the next message is due and what it holds: the readings of
// the unit that the file names (attribute SawhorseReading), that is, what the unit
// believes. A value is clamped to the signal's range. While the unit does not trust
// the reading, the signal holds the raw value that the file calls "unknown" or "not
// available", if it has one. A signal without reading holds its GenSigStartValue,
// which is common practice, or 0. The pages of a multiplexed message come one after
// the other. A counter goes on with every frame, checksums are computed last.
//
// A [Receiver] keeps the time of the messages that the unit depends on, checks their
// counters and checksums, and tells who is silent and whose data are wrong.
//
// Both are pure: time and frames in, frames and findings out. They allocate nothing
// once they are made.
package broadcast
