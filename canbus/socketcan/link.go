package socketcan

import "sawhorse/canbus"

// link is a socket as a bus needs it. One goroutine receives; the loop sends.
type link interface {
	// receive waits for frames and returns how many came.
	receive(in []arrival) (int, error)
	// send hands over what it can without waiting. When not all went, the error
	// says why the next did not: canbus.ErrQueueFull means to try again.
	send(out []flight) (int, error)
	// up reports whether the interface is up.
	up() bool
	close() error
}

// arrival is one frame as the socket gave it. Its Time is since 1970.
type arrival struct {
	frame canbus.Frame
	// own marks the echo of a frame that this socket sent.
	own bool
	// lost counts the frames that the socket has dropped so far.
	lost uint32
}

// arbitration orders frames as the wire does, lowest first: the bits from the
// start of the frame to the end of the arbitration field, dominant being 0
// (ISO 11898-1:2015 clause 10.4.2.2, 10.8). A standard data frame wins over
// the remote frame of its identifier and over all extended frames that begin
// with its eleven bits.
func arbitration(f *canbus.Frame) uint64 {
	rtr := uint64(0)
	if f.Has(canbus.Remote) {
		rtr = 1
	}
	if !f.Has(canbus.Extended) {
		return uint64(f.ID)<<21 | rtr<<20
	}
	base, rest := uint64(f.ID)>>18, uint64(f.ID)&(1<<18-1)
	return base<<21 | 1<<20 | 1<<19 | rest<<1 | rtr
}

// same reports whether b is the echo of a.
func same(a, b *canbus.Frame) bool {
	const kind = canbus.Extended | canbus.Remote | canbus.FD
	return a.ID == b.ID && a.Len == b.Len && a.Flags&kind == b.Flags&kind && a.Data == b.Data
}
