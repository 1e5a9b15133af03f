package busurl

import (
	"context"
	"fmt"
	"io/fs"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/wire"
)

// Options of a bus that is opened. All functions may be nil; they are called in the
// loop.
type Options struct {
	// Name and Wire are those of an embedded bus.
	Name string
	Wire wire.Config
	// Armed permits sending on an interface that is not virtual.
	Armed bool
	// Around gives the bus that nodes attach to, those of other processes as well:
	// the one opened with something around it.
	Around func(canbus.Bus) canbus.Bus
	// OnState is told in words of what happens to an interface.
	OnState func(message string)
	// OnJoin and OnLeave tell of clients of a bus that is hosted here, OnDrop of one
	// that was put off it.
	OnJoin, OnLeave func(client string)
	OnDrop          func(client, reason string)
	// OnLost tells that a client did not read in time and has lost so many frames.
	OnLost func(client string, frames int)
	// Socket says who may connect to a bus that is hosted here.
	Socket Socket
	// OnGone tells that a bus which was joined has ended: io.EOF if its server has.
	OnGone func(error)
}

// Socket is who may connect to a socket. The zero value leaves it to the system.
type Socket struct {
	// Mode are the permissions; writing lets a process connect.
	Mode fs.FileMode
	// Group owns it, if GroupSet.
	Group    int
	GroupSet bool
}

// Bus is a bus that has been opened.
type Bus struct {
	// Bus is what nodes attach to.
	canbus.Bus
	// Wire is the embedded bus behind it; nil if the bus is somebody else's.
	Wire *wire.Bus
	// Again opens the same bus for one more node; nil where there is place for many.
	Again func() (*Bus, error)
	// Silent says why nothing can be sent; nil if it can.
	Silent error
	// Report says in one line how the bus has fared; nil where there is nothing to say.
	Report func() string

	close func() error
}

// Close ends the bus. Call it from the loop, or when the loop has ended.
func (b *Bus) Close() error {
	if b.close == nil {
		return nil
	}
	return b.close()
}

// around puts a bus into what the options want around it.
func (o *Options) around(b canbus.Bus) canbus.Bus {
	if o.Around == nil {
		return b
	}
	return o.Around(b)
}

// Host opens a bus so that many nodes can stand on it: an embedded one is made,
// and opened to other processes where the URL says so. Errors name the URL. A bus
// that other processes reach needs a loop in wall time.
func Host(loop *clock.Loop, url string, opt Options) (*Bus, error) {
	u, s, err := lookUp(url)
	if err != nil {
		return nil, err
	}
	if s.dial != nil && loop.Virtual() {
		return nil, fmt.Errorf("bus %s: other processes live in wall time, want mem: in virtual time", url)
	}
	return s.host(loop, u.Target, opt)
}

// Join is a place on a bus that another process, or the kernel, owns, until ctx ends.
func Join(ctx context.Context, loop *clock.Loop, url string, opt Options) (*Bus, error) {
	u, s, err := lookUp(url)
	if err != nil {
		return nil, err
	}
	if s.join == nil {
		return nil, &Error{URL: url, Err: errInside()}
	}
	return s.join(ctx, loop, u.Target, opt)
}
