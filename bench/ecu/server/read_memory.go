package server

import (
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// readMemory is service 23.
func readMemory() Service {
	return Service{ID: uds.ReadMemoryByAddress, Name: "read memory", run: func(s *Server, q *request) reply {
		if len(q.data) < 4 {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		sizes, addresses, ok := widths(q.data[1])
		switch {
		case !ok:
			return refused(uds.RequestOutOfRange)
		case len(q.data) != 2+sizes+addresses:
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		address, size, ok := addressed(q.data[1], q.data[2:])
		if !ok {
			return refused(uds.RequestOutOfRange)
		}
		r, nrc := s.readable(address, size)
		switch {
		case nrc != 0:
			return refused(nrc)
		case size > spec.MaxMessage-1:
			return refused(uds.ResponseTooLong)
		}
		if nrc := q.unmet(s.readings, nil); nrc != 0 {
			return refused(nrc)
		}
		from := address - r.spec.Address
		return answered(append(q.positive(), r.bytes(s.nv)[from:from+size]...))
	}}
}
