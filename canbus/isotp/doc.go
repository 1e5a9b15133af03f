// Package isotp is ISO 15765-2:2016, the transport protocol of diagnostics on
// CAN, as a pure state machine: it is given frames and the time and gives back
// frames, events and its next deadline. It owns no goroutine, socket or timer.
// canbus/isotp/link binds it to a port and a loop.
//
// An [Endpoint] is one end of one address pair (the standard's N_AI). Drive it so:
//
//	for each frame of the bus:       e.Receive(now, f)
//	when a frame has left:           e.Sent(now)
//	at e.Deadline():                 e.Tick(now)
//	after each of these and Send:    drain e.NextEvent, then e.NextFrame
//
// Offsets of the protocol control information, from the first byte of the data
// field, or the second one where an address byte precedes it (clause 9.6):
//
//	single frame       0L data            L 1..7
//	  escape (FD)      00 LL data         LL 8 bit
//	first frame        1H LL data         12 bit length
//	  escape           10 00 LLLLLLLL data  32 bit length, big-endian
//	consecutive frame  2N data            N sequence number
//	flow control       3S BS STmin        S flow status
//
// A [Sniffer] reassembles passively everything that goes by on a bus.
package isotp
