package server

import (
	"slices"
	"time"

	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// sessionControl is service 10. The answer carries P2 in 1 ms and P2* in 10 ms.
func sessionControl() Service {
	ids := func(u *spec.Unit) []byte {
		list := []byte{}
		for i := range u.Sessions {
			list = append(list, u.Sessions[i].ID)
		}
		return list
	}
	return Service{ID: uds.DiagnosticSessionControl, Name: "session control", Subs: ids, run: func(s *Server, q *request) reply {
		if len(q.data) != 2 {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		i := slices.IndexFunc(s.sessions, func(x session) bool { return x.id == q.sub })
		to := &s.sessions[i]
		if nrc := q.unmet(s.readings, to.needs); nrc != 0 {
			return refused(nrc)
		}
		b := append16(append(q.positive(), q.sub), uint16(to.p2/time.Millisecond))
		return answered(append16(b, uint16(to.p2Star/(10*time.Millisecond))), func() { s.enter(to) })
	}}
}
