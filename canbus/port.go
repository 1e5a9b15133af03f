package canbus

import "errors"

// Node is what sits behind a port: a bus calls it from the loop that owns the
// bus, never from elsewhere. The frame is the bus's own and only valid during
// the call; copy it to keep it.
type Node interface {
	// Receive is called for every frame of another node that arrived well.
	Receive(f *Frame)
	// Sent is called when a frame of this node has left and was acknowledged.
	Sent(f *Frame)
}

// Port is one node's place on a bus.
type Port interface {
	// Send queues a copy of the frame. Frames of one port leave in the order
	// of their identifiers' priority, equal ones in the order of Send. The
	// error is ErrQueueFull, ErrBusOff, ErrClosed, or wraps ErrFrame.
	Send(f *Frame) error
	// Close takes the node off the bus; queued frames are dropped.
	Close() error
}

// Bus is one CAN network as the bench uses it.
type Bus interface {
	// Attach puts a node on the bus under a name, unique on that bus.
	Attach(name string, n Node) (Port, error)
	// Tap adds a listener that sees every frame in the order of the wire, the
	// controller's error reports included, before any node does.
	Tap(fn func(Sighting))
}

// Sighting is one frame as seen on the wire.
type Sighting struct {
	// Frame is valid during the call only.
	Frame *Frame
	// Sender names the port it came from; "" for a node outside the bench.
	Sender string
	// Touched says what a fault did to the frame; "" for an untouched one.
	Touched string
}

// Conn is a bus as another process sees it: a stream of frames both ways.
// Read and Write may be called from two goroutines at once.
type Conn interface {
	// Read waits for the next frame; io.EOF when the bus has gone.
	Read(f *Frame) error
	// Write hands over one frame.
	Write(f *Frame) error
	Close() error
}

// Errors of a port.
var (
	ErrQueueFull = errors.New("send queue full")
	ErrBusOff    = errors.New("node is bus-off")
	ErrClosed    = errors.New("port closed")
)
