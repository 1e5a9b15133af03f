package server

import (
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

func hasOBD(u *spec.Unit) bool { return u.OBD != nil }

// currentData is service 01: one to six PIDs, of which the supported ones are
// answered; the PIDs that say what is supported are not mixed with data.
func currentData() Service {
	return Service{ID: uds.CurrentData, Name: "current data", Has: hasOBD, run: func(s *Server, q *request) reply {
		pids := q.data[1:]
		if len(pids) == 0 || len(pids) > 6 || mixed(pids, 1) {
			return silence()
		}
		b := q.positive()
		for _, pid := range pids {
			if more, ok := s.appendPID(b, pid); ok {
				b = more
			}
		}
		return unlessEmpty(b)
	}}
}

// unlessEmpty is silence when a unit has nothing of what was asked for.
func unlessEmpty(b []byte) reply {
	if len(b) == 1 {
		return silence()
	}
	return answered(b)
}
