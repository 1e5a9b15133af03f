package server

import "sawhorse/canbus/uds"

// ecuReset is service 11: the answer leaves first, then the unit restarts.
func ecuReset() Service {
	return Service{ID: uds.ECUReset, Name: "reset", Subs: subs(uds.HardReset, uds.KeyOffOnReset, uds.SoftReset), run: func(s *Server, q *request) reply {
		if len(q.data) != 2 {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		if nrc := q.unmet(s.readings, nil); nrc != 0 {
			return refused(nrc)
		}
		return answered(append(q.positive(), q.sub), func() { s.reset = ResetKind(q.sub) })
	}}
}
