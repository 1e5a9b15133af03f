//go:build !linux

package hub

import (
	"errors"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

var errLinux = errors.New("sockets of whole packets for other processes need Linux")

// Server hands a bus to other processes.
type Server struct{}

// Listen is only possible on Linux.
func Listen(path string, _ *clock.Loop, _ canbus.Bus, _ Options) (*Server, error) {
	return nil, &Error{Op: "listen", Path: path, Err: errLinux}
}

// Path is where the server listens.
func (s *Server) Path() string { return "" }

// Stats counts nothing.
func (s *Server) Stats() Stats { return Stats{} }

// Close does nothing.
func (s *Server) Close() error { return nil }

// Dial is only possible on Linux.
func Dial(path string) (canbus.Conn, error) {
	return nil, &Error{Op: "dial", Path: path, Err: errLinux}
}
