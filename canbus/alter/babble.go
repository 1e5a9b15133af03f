package alter

import (
	"fmt"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// Babble is a node that talks without being asked.
type Babble struct {
	// Name is the node's name on the bus.
	Name string
	// Frame is what it says, again and again.
	Frame canbus.Frame
	// Every is the time from one frame to the next; 0 sends as fast as the bus
	// takes: the next is ready when the one before has left.
	Every time.Duration
	// Burst sends so many and stops; 0 goes on.
	Burst int
}

// babbler is the node.
type babbler struct {
	Babble
	loop  *clock.Loop
	port  canbus.Port
	timer *clock.Timer
	sent  int
	next  time.Duration
}

// Start puts the babbling node on a bus and has it begin now; stop takes it off.
func (s Babble) Start(loop *clock.Loop, bus canbus.Bus) (stop func(), err error) {
	if err := s.Frame.Validate(); err != nil {
		return nil, err
	}
	if s.Every < 0 || s.Burst < 0 {
		return nil, fmt.Errorf("%w: every %v, burst %d, want 0 or more", errAlteration, s.Every, s.Burst)
	}
	n := &babbler{Babble: s, loop: loop, next: loop.Now()}
	if n.port, err = bus.Attach(s.Name, n); err != nil {
		return nil, err
	}
	n.timer = loop.NewTimer(clock.PriorityFault, n.speak)
	n.timer.Set(loop.Now())
	return func() {
		n.timer.Stop()
		_ = n.port.Close() // a second stop finds it closed
	}, nil
}

func (n *babbler) speak() {
	if n.Burst > 0 && n.sent >= n.Burst {
		return
	}
	err := n.port.Send(&n.Frame)
	if err == nil {
		n.sent++
	}
	switch {
	case err != nil:
		n.next = n.loop.Now() + time.Millisecond // a full queue or bus-off: later
	case n.Every == 0:
		return // Sent goes on
	default:
		n.next += n.Every
	}
	n.timer.Set(n.next)
}

// Receive implements canbus.Node: it does not listen.
func (n *babbler) Receive(*canbus.Frame) {}

// Sent implements canbus.Node.
func (n *babbler) Sent(*canbus.Frame) {
	if n.Every == 0 {
		n.speak()
	}
}
