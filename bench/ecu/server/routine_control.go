package server

import (
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// routineControl is service 31: 01 start, 02 stop, 03 results. The result is
// the status (00 done, 01 running, 02 aborted, 03 never run) and a reason.
func routineControl() Service {
	own := subs(uds.StartRoutine, uds.StopRoutine, uds.RequestRoutineResults)
	return Service{ID: uds.RoutineControl, Name: "routines", Subs: own, Slow: true, item: itemAt(2), run: func(s *Server, q *request) reply {
		if len(q.data) < 4 {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		rid := q.word(2)
		if t := s.test(byte(rid)); rid>>8 == uds.OBDTests && t != nil && !s.boot {
			return s.testRoutine(q, t)
		}
		r := s.routineHere(rid)
		switch {
		case r == nil:
			return refused(uds.RequestOutOfRange)
		case len(q.data) != 4 && (r.spec.Does != spec.DoesErase || q.sub != uds.StartRoutine):
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		case q.sub != uds.RequestRoutineResults && !s.locks.allow(r.security): // results are no secret
			return refused(uds.SecurityAccessDenied)
		case q.sub == uds.StopRoutine && r.state != routineRunning:
			return refused(uds.RequestSequenceError)
		}
		b := append16(append(q.positive(), q.sub), rid)
		switch q.sub {
		case uds.StartRoutine:
			return s.start(q, r, b)
		case uds.StopRoutine:
			return answered(append(b, byte(routineAborted)), func() { s.endRoutine(r, routineAborted, reasonStopped) })
		}
		return answered(append(b, byte(r.state), r.reason))
	}}
}

// routineHere finds a routine that the session has, and the boot program while only that
// runs; nil for none.
func (s *Server) routineHere(rid uint16) *routine {
	var found *routine
	for _, r := range s.routines {
		if r.spec.RID == rid && r.in&s.session.mask != 0 && (!s.boot || r.spec.Does != "") {
			found = r
		}
	}
	return found
}

// start is 31 01 of a routine whose conditions are met; one that runs goes on from the
// beginning.
func (s *Server) start(q *request, r *routine, b []byte) reply {
	var target *region
	if r.spec.Does == spec.DoesErase {
		var nrc uds.NRC
		if target, nrc = s.eraseTarget(q.data[4:]); nrc != 0 {
			return refused(nrc)
		}
	}
	if r.spec.Does != "" && s.transfer != nil {
		return refused(uds.RequestSequenceError)
	}
	if nrc := q.unmet(s.readings, r.needs); nrc != 0 {
		return refused(nrc)
	}
	return answered(append(b, byte(routineRunning)), func() { s.startRoutine(r, target) })
}

// eraseTarget is the region that an erase request names, as service 34 does.
func (s *Server) eraseTarget(option []byte) (*region, uds.NRC) {
	if len(option) < 3 {
		return nil, uds.IncorrectMessageLengthOrInvalidFormat
	}
	if sizes, addresses := int(option[0]>>4), int(option[0]&0xF); len(option) != 1+sizes+addresses {
		return nil, uds.IncorrectMessageLengthOrInvalidFormat
	}
	address, size, ok := addressed(option[0], option[1:])
	r := s.within(address, size)
	if !ok || r == nil || !r.spec.Program || r.spec.Size != size {
		return nil, uds.RequestOutOfRange
	}
	return r, 0
}

// testRoutine is a test of service 08 as routine E0xx (SAE J1979-2).
func (s *Server) testRoutine(q *request, t *test) reply {
	if len(q.data) != 4 {
		return refused(uds.IncorrectMessageLengthOrInvalidFormat)
	}
	b := append(q.positive(), q.sub, q.data[2], q.data[3])
	switch q.sub {
	case uds.StartRoutine:
		if nrc := q.unmet(s.readings, t.needs); nrc != 0 {
			return refused(nrc)
		}
		if spec.Unmet(t.hold, s.readings) != nil {
			return refused(uds.ConditionsNotCorrect)
		}
		return answered(append(b, byte(routineRunning)), func() { s.startTest(t) })
	case uds.StopRoutine:
		if t.state != routineRunning {
			return refused(uds.RequestSequenceError)
		}
		return answered(append(b, byte(routineAborted)), func() { s.endTest(t, routineAborted, reasonStopped) })
	}
	return answered(append(b, byte(t.state), t.reason))
}
