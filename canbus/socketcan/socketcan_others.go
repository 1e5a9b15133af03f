//go:build !linux

package socketcan

import (
	"errors"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

var errLinux = errors.New("SocketCAN needs Linux")

// Conn is one node's view of an interface.
type Conn struct{}

// Dial is only possible on Linux.
func Dial(iface string, _ Options) (*Conn, error) {
	return nil, &Error{Op: "open", Iface: iface, Err: errLinux}
}

// Read is only possible on Linux.
func (*Conn) Read(*canbus.Frame) error { return errLinux }

// Write is only possible on Linux.
func (*Conn) Write(*canbus.Frame) error { return errLinux }

// Lost counts nothing.
func (*Conn) Lost() uint64 { return 0 }

// Full counts nothing.
func (*Conn) Full() uint64 { return 0 }

// Close does nothing.
func (*Conn) Close() error { return nil }

// Open is only possible on Linux.
func Open(iface string, _ *clock.Loop, _ Options) (*Bus, error) {
	return nil, &Error{Op: "open", Iface: iface, Err: errLinux}
}

// SetUp is only possible on Linux.
func SetUp(iface string, _ uint32) error {
	return &Error{Op: "set up", Iface: iface, Err: errLinux}
}

// Virtual is only possible on Linux.
func Virtual(iface string) (bool, error) {
	return false, &Error{Op: "open", Iface: iface, Err: errLinux}
}

// ControllerOf is only possible on Linux.
func ControllerOf(iface string) (Controller, error) {
	return Controller{}, &Error{Op: "open", Iface: iface, Err: errLinux}
}
