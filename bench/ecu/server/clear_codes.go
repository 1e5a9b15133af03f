package server

import (
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// clearCodes is service 14: all, the emission group, or one code.
func clearCodes() Service {
	return Service{ID: uds.ClearDiagnosticInformation, Name: "clear codes", Slow: true, run: func(s *Server, q *request) reply {
		if len(q.data) != 4 {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		group := three(q.data[1:])
		if _, one := s.mem.Find(group); !one && group != uds.AllGroups && (group != uds.EmissionGroup || s.unit.OBD == nil) {
			return refused(uds.RequestOutOfRange)
		}
		if nrc := s.mayClear(); nrc != 0 {
			return refused(nrc)
		}
		if nrc := q.unmet(s.readings, nil); nrc != 0 {
			return refused(nrc)
		}
		return answered(q.positive(), func() { s.mem.Clear(group) })
	}}
}

// mayClear is the refusal of services 04 and 14 when the car is in no state for them.
func (s *Server) mayClear() uds.NRC {
	if spec.Unmet(s.clearBy, s.readings) != nil {
		return uds.ConditionsNotCorrect
	}
	return 0
}

// three is a number of three bytes.
func three(b []byte) uint32 { return uint32(b[0])<<16 | uint32(b[1])<<8 | uint32(b[2]) }
