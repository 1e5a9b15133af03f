// Package socketcan is a bus on a Linux interface, virtual or real: raw
// SocketCAN sockets (Documentation/networking/can.rst of the Linux kernel,
// UAPI can.h, can/raw.h, can/error.h).
//
// [Dial] is one node's view, a stream of frames both ways. [Open] puts all
// nodes of the bench on one socket behind [canbus.Bus]: the kernel echoes what
// the socket itself sent, which confirms each frame to its sender and delivers
// it to the other local nodes.
//
// A frame can move a car. Sending on an interface that is not virtual is
// refused unless the options say that it is armed. Virtual means that the
// kernel calls the link a vcan or vxcan; all else, slcan and USB adapters
// included, counts as real. An in-kernel gateway from a virtual interface to a
// real one is not seen.
package socketcan

import (
	"errors"
	"fmt"

	"sawhorse/canbus"
)

// Errors to test for with errors.Is.
var (
	// ErrNotArmed says that nothing is sent on a real interface unasked.
	ErrNotArmed = errors.New("not a virtual interface, so it is only listened to; sending there must be armed by name")
	// ErrDown says that the interface is not up.
	ErrDown = errors.New("the interface is down")
	// ErrGone says that the interface has been removed.
	ErrGone = errors.New("the interface has gone")
)

// AllErrors is the mask of all error classes (CAN_ERR_MASK).
const AllErrors uint32 = 0x1FFFFFFF

// DefaultQueue is how many frames of all local nodes may wait to be sent or
// confirmed.
const DefaultQueue = 1024

// Options of a connection or bus.
type Options struct {
	// Armed permits sending on an interface that is not virtual.
	Armed bool
	// FD takes part in CAN FD; the interface must carry it (an MTU of 72) to
	// send such frames.
	FD bool
	// Filters let only matching frames of others through; none lets all.
	Filters []Filter
	// ErrorMask chooses the classes of error reports that Read delivers, as
	// in can/error.h. A bus gets them all, for its tap.
	ErrorMask uint32
	// Queue bounds a bus's frames waiting to be sent or confirmed; 0 means
	// DefaultQueue.
	Queue int
	// OnState is told in words when the interface goes down, comes up or
	// vanishes, or its controller goes bus-off or comes back. A bus calls it
	// from the loop, a connection from Read.
	OnState func(message string)
}

// Controller is what the kernel tells of an interface's controller.
type Controller struct {
	// Virtual has no controller, so that nothing else is told.
	Virtual bool
	// State is error-active, error-warning, error-passive, bus-off, stopped or
	// sleeping.
	State string
	// BitRate is in bit/s, 0 if it is not set.
	BitRate uint32
	// Tx and Rx are the error counters of ISO 11898-1.
	Tx, Rx uint16
}

// String says it in a few words.
func (c Controller) String() string {
	if c.Virtual {
		return "virtual"
	}
	return fmt.Sprintf("%s at %d bit/s, error counters %d sending, %d receiving", c.State, c.BitRate, c.Tx, c.Rx)
}

// Filter matches the identifiers that equal Key in the bits of Mask, in Key's
// format. Not turns it round. A frame passes if any filter matches.
type Filter struct {
	Key  canbus.Key
	Mask canbus.ID
	Not  bool
}

// Match reports whether a frame passes.
func (t Filter) Match(f *canbus.Frame) bool {
	same := f.Has(canbus.Extended) == t.Key.Extended() && (f.ID^t.Key.ID())&t.Mask == 0
	return same != t.Not
}

// Error says which operation on which interface failed. Op is one of "open",
// "set up", "read", "write" and "close".
type Error struct {
	Op    string
	Iface string
	Err   error
}

// Error says what failed where.
func (e *Error) Error() string { return fmt.Sprintf("can:%s: %s: %v", e.Iface, e.Op, e.Err) }

// Unwrap is the cause.
func (e *Error) Unwrap() error { return e.Err }

// maxName is the longest name of an interface: IFNAMSIZ less the closing zero.
const maxName = 15

// CheckName reports why a word can't name an interface; nil if it can. The
// rules are the kernel's (dev_valid_name).
func CheckName(name string) error {
	if name == "" {
		return errors.New("empty interface name, want can:IFACE")
	}
	if len(name) > maxName {
		return fmt.Errorf("interface name of %d bytes, at most %d", len(name), maxName)
	}
	if name == "." || name == ".." {
		return fmt.Errorf("%q is no interface name", name)
	}
	for i := range len(name) {
		if c := name[i]; c <= ' ' || c == '/' || c == ':' || c == 0x7F {
			return fmt.Errorf("byte %q at %d can't be in an interface name", c, i)
		}
	}
	return nil
}
