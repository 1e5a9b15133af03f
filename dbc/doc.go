// Package dbc reads networks from .dbc files and compiles codecs for their signals.
//
// [Load] gives a [Network] of messages and signals. Files as they are found in
// practice break the format in many ways: where the meaning is clear they are read, with
// a [Warning] that names file, line and column; where it is not they are refused with
// [Errors], which name the same and what was expected. The parser is our own for that;
// on files that go.einride.tech/can accepts the two agree.
//
// [Compile] turns a message into a [Codec]: shifts and masks worked out once, so that
// reading and writing a signal of a frame takes nanoseconds and no allocation. Load has
// compiled every message already.
//
// # Bits
//
// The bits of a payload are counted from the first byte on, each byte from its least
// significant bit: bit n is bit n%8 of byte n/8. A signal in little-endian order (1 in
// the file) starts at its least significant bit and goes to higher bit numbers. One in
// big-endian order (0 in the file) starts at its most significant bit and goes down
// within the byte, then on at bit 7 of the next byte.
//
// # Values
//
// The physical value is raw * factor + offset, in two roundings on every machine; the
// raw value of a float signal is its IEEE 754 value. Reading never clamps: minimum and
// maximum are what the author of the file promises, and a value beyond is worth seeing.
// Writing rounds to the nearest raw value, halves away from zero, and saturates at what
// the bits can hold; it does not clamp to minimum and maximum either, as values beyond
// them are how units report what they do not know. NaN writes raw 0 into an integer
// signal. A finite value too large for a 32-bit float writes the largest one.
//
// # Multiplexed signals
//
// A multiplexed signal is in a frame only if its multiplexer switch is, and holds one of
// its selector values; a switch may itself be multiplexed. An absent signal reads as NaN
// and is not written. So is a signal that lies beyond the end of a short frame.
//
// # Attributes of our own
//
// The format has no word for counters and checksums, nor for where a value comes from.
// These attributes of signals (BA_DEF_ SG_, of type STRING) say it:
//
//	SawhorseRole     counter                          one more in each frame, modulo 2^length
//	                 counter:15                       the same, modulo 15
//	                 checksum:KIND                    over all other bytes of the frame
//	                 checksum:KIND,id                 the identifier goes first, see Checksum
//	                 checksum:KIND,data-id=0x1A2B     these bytes go first
//	SawhorseReading  engine_rpm                       the sender's reading it carries
//
// KIND is a name of package checksum. A checksum fills 8 or 16 bits as its kind wants,
// in whole bytes; a wider one is stored in the byte order of its signal.
//
// The cycle time is the attribute GenMsgCycleTime in milliseconds, which is common
// practice. A message is CAN FD if it is longer than 8 bytes or if its attribute
// VFrameFormat has a value with "FD" in its name.
package dbc
