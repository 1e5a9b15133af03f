package server

import (
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// controlTest is service 08: a test identifier and five bytes. What is refused by
// its conditions is refused with 22, the only negative response it has.
func controlTest() Service {
	has := func(u *spec.Unit) bool { return u.OBD != nil && len(u.OBD.Tests) > 0 }
	return Service{ID: uds.ControlOfSystem, Name: "control of a test", Has: has, run: func(s *Server, q *request) reply {
		if len(q.data) < 2 {
			return silence()
		}
		tid := q.data[1]
		if uds.IsRange(tid) {
			mask := supported(tid, func(id byte) bool { return s.test(id) != nil })
			if len(q.data) != 2 || mask == 0 && tid != 0 {
				return silence()
			}
			return answered(append32(append(q.positive(), tid), mask))
		}
		t := s.test(tid)
		switch {
		case t == nil || len(q.data) != 7:
			return silence()
		case spec.Unmet(t.needs, s.readings) != nil || spec.Unmet(t.hold, s.readings) != nil:
			return refused(uds.ConditionsNotCorrect)
		}
		return answered(append(q.positive(), tid, 0, 0, 0, 0, 0), func() { s.startTest(t) })
	}}
}
