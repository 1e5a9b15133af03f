package server

import (
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// Service is one service as this server has it, registered once in the file of its handler
// and listed in registry.go.
type Service struct {
	ID uds.Service
	// Name is what people call it.
	Name string
	// Subs are the sub-functions that a unit can have; nil for a service without.
	Subs func(u *spec.Unit) []byte
	// Has says which units have a service that descriptions do not list: those of emission
	// OBD. It depends on no session and has no lock. Nil for services that are listed, with
	// the sessions and the lock that each unit has for them.
	Has func(u *spec.Unit) bool
	// Session marks what no unit has in its default session (ISO 14229-1:2013 table 23, from
	// memory).
	Session bool
	// Physical marks what is said to one unit alone: a request of it to all is not heard
	// (common practice: keys, downloads and their ends).
	Physical bool
	// Slow marks a service that a description may give its time.
	Slow bool
	// item is what a request is about, for work that takes its time with some items only;
	// nil takes the byte after the service.
	item func(q *request) uint16
	run  func(s *Server, q *request) reply
}

// subs are sub-functions that every unit has.
func subs(list ...byte) func(*spec.Unit) []byte {
	return func(*spec.Unit) []byte { return list }
}

// itemAt takes the identifier of two bytes at a place.
func itemAt(at int) func(q *request) uint16 {
	return func(q *request) uint16 {
		if len(q.data) < at+2 {
			return 0
		}
		return q.word(at)
	}
}

// itemOf is what a request is about: an identifier, or the byte after the service.
func (x *Service) itemOf(data []byte) uint16 {
	q := request{data: data}
	switch {
	case x.item != nil:
		return x.item(&q)
	case len(data) < 2:
		return 0
	case x.Subs != nil:
		return uint16(data[1] &^ uds.SuppressPositiveResponse)
	}
	return uint16(data[1])
}

// bound is a service as one unit has it.
type bound struct {
	*Service
	in       uint32
	security byte
	needs    []spec.Bound
	// own are its sub-functions, nil for a service without.
	own map[byte]access
}

// access is the sessions that have a thing, and the lock before it.
type access struct {
	in       uint32
	security byte
}
