package wire

import (
	"errors"
	"fmt"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// ErrNotBusOff says that a node asked to come back that is not off.
var ErrNotBusOff = errors.New("node is not bus-off")

// Port is one node's controller and its plug. It implements canbus.Port.
type Port struct {
	// First what is looked at for each frame of the bus, of all ports.
	seg       *segment      // where it is
	joined    time.Duration // hears frames that start from here on
	readyAt   time.Duration // may send from here on
	state     State
	sending   bool // takes part in the frame on the wire as a sender
	closed    bool
	unplugged bool
	rec, tec  int
	q         queue
	node      canbus.Node

	bus         *Bus
	name        string
	home        *segment      // where it belongs when plugged in
	cur         ref           // the frame on the wire, while sending
	need        int           // recessive runs to go, while recovering
	from        time.Duration // counted from here
	back        *clock.Timer  // predicted end of recovery
	request     *clock.Timer  // recovery asked for by itself
	stuckSender bool          // was sending when the bus was shorted to dominant
	stats       PortStats
}

// Name is the name the node was attached under.
func (p *Port) Name() string { return p.name }

// Send queues a copy of the frame; see canbus.Port. A full queue is counted.
func (p *Port) Send(f *canbus.Frame) error {
	switch {
	case p.closed:
		return canbus.ErrClosed
	case p.state == BusOff:
		p.stats.Refused++
		return canbus.ErrBusOff
	}
	if err := f.Validate(); err != nil {
		return err
	}
	if f.Flags&canbus.Error != 0 {
		return fmt.Errorf("%w: an error report is nothing to send", canbus.ErrFrame)
	}
	if f.Flags&canbus.FD != 0 && p.bus.cfg.DataBitRate == 0 {
		return fmt.Errorf("%w: CAN FD on the classical bus %q", canbus.ErrFrame, p.bus.name)
	}
	if !p.q.push(f, p.bus.loop.Exact()) {
		p.stats.QueueFull++
		return canbus.ErrQueueFull
	}
	p.seg.wanted(p)
	return nil
}

// Queued is how many frames wait, the one on the wire included.
func (p *Port) Queued() int { return p.q.used() }

// Close takes the node off the bus. A frame on the wire is completed by the
// controller; nobody hears of it.
func (p *Port) Close() error {
	if p.closed {
		return canbus.ErrClosed
	}
	p.closed = true
	p.stats.Dropped += uint64(p.q.drop())
	p.stopRecovery()
	p.seg.remove(p)
	delete(p.bus.names, p.name)
	return nil
}

// Confinement is the node's error counters and state.
func (p *Port) Confinement() Confinement {
	return Confinement{TEC: p.tec, REC: p.rec, State: p.state, Recovering: p.need > 0}
}

// Stats is what the port has counted.
func (p *Port) Stats() PortStats {
	s := p.stats
	s.Name, s.Confinement, s.Queued, s.Plugged = p.name, p.Confinement(), p.q.used(), !p.unplugged
	return s
}

// Plugged reports whether the cable is in.
func (p *Port) Plugged() bool { return !p.unplugged }
