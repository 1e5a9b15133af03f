// Package wire is the embedded bus ("mem:"): one CAN network inside the process
// that takes as long as copper would and errs as copper would.
//
// A frame occupies the wire for its exact stuffed length at the bit rate, checksum
// included ([Bits]). Nodes that are ready when a frame starts compete by
// identifier, bit by bit (ISO 11898-1:2015 clause 10.3). Every node has the two
// error counters and the states of fault confinement (clause 12.1): a node that
// hears no acknowledgement repeats, becomes error-passive and waits longer
// between tries; one whose bits are falsified ends bus-off and comes back after
// 128 times 11 recessive bits.
//
// Ports can be unplugged and plugged in again, single transmissions disturbed at
// any bit, the bus cut in two or shorted. What a fault does to a node follows
// from the rules of the standard; nothing sets a counter from outside.
//
// The bus belongs to its loop: every method must be called from an event of it
// or before it runs. It starts no goroutine, reads no clock and rolls no dice, so
// equal calls give equal buses.
package wire
