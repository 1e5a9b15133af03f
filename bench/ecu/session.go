package ecu

import "time"

// enter changes the session. Security locks with every change; leaving for the
// default session also ends what the session had switched (ISO 14229-1 clause
// 9.2: services 28 and 85, routines that need it).
func (s *Server) enter(to *session) {
	s.session = to
	s.access.lock()
	s.s3 = s.now + s.spec.Timing.S3.d()
	s.releaseOutputs(to)
	s.transfer = nil
	for _, r := range s.routines {
		if r.state == routineRunning && r.in&to.mask == 0 && !r.steps[r.step].sessionless && !r.steps[r.step].lasting {
			s.endRoutine(r, routineAborted, reasonSession)
		}
	}
	if to != &s.sessions[0] {
		return
	}
	s.communicate(true, true)
	s.mem.SetRecording(!s.boot)
	s.stopPeriodic(nil)
}

// sessionControl is service 10. The answer carries P2 in 1 ms and P2* in 10 ms.
func (s *Server) sessionControl(req []byte) byte {
	if len(req) != 2 {
		return wrongLength
	}
	var to *session
	for i := range s.sessions {
		if s.sessions[i].id == s.sub {
			to = &s.sessions[i]
		}
	}
	if nrc := s.needs(to.needs); nrc != 0 {
		return nrc
	}
	if !s.dry {
		s.enter(to)
	}
	s.out = append(s.out, s.sub)
	s.out = append16(s.out, uint16(to.p2/time.Millisecond))
	s.out = append16(s.out, uint16(to.p2Star/(10*time.Millisecond)))
	return 0
}

// ecuReset is service 11: the answer leaves first, then the unit restarts.
func (s *Server) ecuReset(req []byte) byte {
	if len(req) != 2 {
		return wrongLength
	}
	if nrc := s.needs(nil); nrc != 0 {
		return nrc
	}
	if !s.dry {
		s.reset = ResetKind(s.sub)
	}
	s.out = append(s.out, s.sub)
	return 0
}

// testerPresent is service 3E.
func (s *Server) testerPresent(req []byte) byte {
	if len(req) != 2 {
		return wrongLength
	}
	s.out = append(s.out, s.sub)
	return 0
}

// communicationControl is service 28 for normal messages: sub-function bit 0
// stops sending, bit 1 stops receiving. Network management messages have no
// effect here, as the unit sends none.
func (s *Server) communicationControl(req []byte) byte {
	if len(req) != 3 {
		return wrongLength
	}
	kind, subnet := req[2]&0x03, req[2]>>4
	if kind == 0 || req[2]&0x0C != 0 || subnet != 0x0 && subnet != 0xF {
		return requestOutOfRange
	}
	if nrc := s.needs(nil); nrc != 0 {
		return nrc
	}
	if !s.dry && kind&1 != 0 {
		s.communicate(s.sub&2 == 0, s.sub&1 == 0)
	}
	s.out = append(s.out, s.sub)
	return 0
}

func (s *Server) communicate(receive, transmit bool) {
	if s.heard == receive && s.spoken == transmit {
		return
	}
	s.heard, s.spoken = receive, transmit
	s.plant.Communicate(receive, transmit)
}

// codeSetting is service 85: 01 the memory keeps codes, 02 it does not.
func (s *Server) codeSetting(req []byte) byte {
	if len(req) != 2 {
		return wrongLength
	}
	if nrc := s.needs(nil); nrc != 0 {
		return nrc
	}
	if !s.dry {
		s.mem.SetRecording(s.sub == 1 && !s.boot)
	}
	s.out = append(s.out, s.sub)
	return 0
}
