// Package hub is the user-space bus for other processes: a Unix SOCK_SEQPACKET
// socket (unix(7)) on which every packet is one frame, a 16-byte can_frame or
// a 72-byte canfd_frame of Linux UAPI can.h in native byte order.
//
// Each client is one node on the bus behind the hub and sees what a node sees:
// every frame of the others, none of its own, no error reports. Its frames leave in the
// order in which it wrote them, as through a controller with one queue. A write that
// succeeds has handed the frame to its port; when it leaves is the bus's affair
// and not told.
//
// The bus never waits for a client. One that reads too slowly loses the oldest of the
// frames that wait for it, which is counted and told; it stays on the bus and has the
// newest. One that writes more than the bus can carry for longer than its queue lasts,
// or sends a packet that is no frame, is dropped with a reason. Clients beyond a number,
// and those that come faster than a bus can follow, are refused or wait.
package hub

import (
	"fmt"
	"io/fs"
)

// MaxPath is the longest path of a socket in bytes: sun_path of unix(7) less
// the closing zero.
const MaxPath = 107

// DefaultQueue is how many frames may wait each way for one client.
const DefaultQueue = 1024

// MaxClients is how many clients may be on one bus at a time.
const MaxClients = 64

// Options of a server. The functions may be nil; they are called from the loop.
type Options struct {
	// Queue bounds the frames waiting each way for one client; 0 means
	// DefaultQueue. The kernel's socket buffer, some 300 frames, comes on top.
	Queue int
	// Mode is the socket's permissions, of which writing lets a process connect; 0
	// leaves what the system gives. Group, if GroupSet, owns it.
	Mode     fs.FileMode
	Group    int
	GroupSet bool
	// OnLost tells that a client did not read in time and has lost its oldest frames:
	// so many since it joined.
	OnLost func(name string, frames int)
	// OnJoin tells of a client that is on the bus now.
	OnJoin func(name string)
	// OnLeave tells of a client that closed its connection.
	OnLeave func(name string)
	// OnDrop tells of a client that was put off the bus, and why.
	OnDrop func(name, reason string)
}

// Stats of a server since it began to listen.
type Stats struct {
	Clients int    // on the bus now
	Joined  int    // ever
	Dropped int    // of these, put off with a reason
	In      uint64 // frames from clients accepted by the bus
	Out     uint64 // frames queued to clients
	Lost    uint64 // of those, given up as the client did not read in time
	Refused uint64 // frames the bus did not take because the client was bus-off
}

// Error says which operation on which socket failed. Op is one of "listen",
// "dial", "read", "write" and "close".
type Error struct {
	Op   string
	Path string
	Err  error
}

// Error says what failed where.
func (e *Error) Error() string { return fmt.Sprintf("unix:%s: %s: %v", e.Path, e.Op, e.Err) }

// Unwrap is the cause.
func (e *Error) Unwrap() error { return e.Err }

// CheckPath reports why a path can't name a socket; nil if it can.
func CheckPath(path string) error {
	switch {
	case path == "":
		return fmt.Errorf("empty path, want unix:PATH")
	case len(path) > MaxPath:
		return fmt.Errorf("path of %d bytes, a socket's has at most %d", len(path), MaxPath)
	case path[0] == '@':
		return fmt.Errorf("path begins with @, which would leave the file system; write ./%s", path)
	}
	for i := range len(path) {
		if path[i] == 0 {
			return fmt.Errorf("zero byte at %d of the path", i)
		}
	}
	return nil
}
