package server

import (
	"time"

	"sawhorse/bench/ecu/spec"
)

// test is one bound test of service 08, which service 31 has as routine E0xx.
type test struct {
	spec  *spec.Test
	needs []spec.Bound
	hold  []spec.Bound

	state  routineState
	reason byte
	until  time.Duration
}

// test finds one by its identifier; nil for none.
func (s *Server) test(tid byte) *test {
	for _, t := range s.tests {
		if t.spec.TID == tid {
			return t
		}
	}
	return nil
}

func (s *Server) startTest(t *test) {
	if t.state != routineRunning {
		s.running++
	}
	t.state, t.reason, t.until = routineRunning, reasonNone, s.now+t.spec.Lasts.Duration()
	s.sets(t.spec.Sets, true)
}

func (s *Server) endTest(t *test, state routineState, reason byte) {
	if t.state == routineRunning {
		t.state, t.reason = state, reason
		s.running--
		s.sets(t.spec.Sets, false)
	}
}

func (s *Server) stepTests() {
	for _, t := range s.tests {
		if t.state != routineRunning {
			continue
		}
		if c := spec.Unmet(t.hold, s.readings); c != nil {
			s.endTest(t, routineAborted, c.Reason)
		} else if s.now >= t.until {
			s.endTest(t, routineDone, reasonNone)
		}
	}
}
