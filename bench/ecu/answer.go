package ecu

import (
	"slices"
	"time"
)

// Negative response codes (ISO 14229-1 annex A).
const (
	serviceNotSupported  byte = 0x11
	subNotSupported      byte = 0x12
	wrongLength          byte = 0x13
	responseTooLong      byte = 0x14
	busyRepeat           byte = 0x21
	conditionsNotCorrect byte = 0x22
	requestSequenceError byte = 0x24
	requestOutOfRange    byte = 0x31
	downloadNotAccepted  byte = 0x70
	transferSuspended    byte = 0x71
	programmingFailure   byte = 0x72
	wrongBlockCounter    byte = 0x73
	securityAccessDenied byte = 0x33
	invalidKey           byte = 0x35
	exceededAttempts     byte = 0x36
	delayNotExpired      byte = 0x37
	responsePending      byte = 0x78
	subNotInSession      byte = 0x7E
	serviceNotInSession  byte = 0x7F
	negativeResponse     byte = 0x7F
	positiveBit          byte = 0x40
	suppressBit          byte = 0x80
)

// silence stands in place of a negative response code: the request gets no
// answer, as emission OBD wants for what a unit does not have.
const silence byte = 0xFF

// respond queues the answer to a request, unless it must stay unsaid.
func (s *Server) respond(req []byte, nrc byte, functional, pended bool, due time.Duration) {
	sid := req[0]
	switch {
	case nrc == silence, functional && !pended && unsaid(nrc):
		s.quiet()
		return
	case nrc != 0:
		s.push(answer{due: due, data: []byte{negativeResponse, sid, nrc}, final: true})
		return
	}
	if svc := s.services[sid]; svc != nil && svc.subs != nil && req[1]&suppressBit != 0 && !pended {
		s.quiet()
		return
	}
	s.push(answer{due: due, data: slices.Clone(s.out), final: true})
}

// unsaid lists the codes that are not sent on a functional request (ISO
// 14229-1:2013 clause 7.5).
func unsaid(nrc byte) bool {
	switch nrc {
	case serviceNotSupported, subNotSupported, requestOutOfRange, subNotInSession, serviceNotInSession:
		return true
	}
	return false
}

// quiet ends a request without an answer.
func (s *Server) quiet() {
	s.s3 = s.now + s.spec.Timing.S3.d()
	if s.reset != 0 {
		s.restart(s.reset)
	}
}

// push queues an answer behind those that are due before or with it.
func (s *Server) push(a answer) {
	i := len(s.queue)
	if i > 0 && s.queue[i-1].due > a.due {
		a.due = s.queue[i-1].due // answers leave in the order of their requests
	}
	s.queue = append(s.queue, a)
}

// busy treats a request that comes while another is worked on: tester present
// is taken, any other is to be repeated.
func (s *Server) busy(functional bool, req []byte) {
	if req[0] == 0x3E && len(req) == 2 && req[1]&^suppressBit == 0 {
		if req[1]&suppressBit == 0 {
			s.push(answer{due: s.now + s.delay(), data: []byte{0x7E, 0x00}})
		}
		return
	}
	if functional && !s.known(req[0]) {
		return
	}
	s.push(answer{due: s.now + s.delay(), data: []byte{negativeResponse, req[0], busyRepeat}})
}

func (s *Server) known(sid byte) bool {
	if sid <= lastOBD {
		return s.hasOBD(sid)
	}
	return s.services[sid] != nil && (!s.boot || s.bootHas(sid))
}

// proceed takes the slow request on: response pending before P2 is over, again
// before each P2* is over, then the answer.
func (s *Server) proceed() {
	w := &s.work
	if !w.active {
		return
	}
	for s.now >= w.pendAt && w.pendAt < w.due {
		w.pended = true
		s.push(answer{due: w.pendAt, data: []byte{negativeResponse, w.req[0], responsePending}})
		w.pendAt += s.session.p2Star * 7 / 10
	}
	if s.now < w.due {
		return
	}
	w.active = false
	nrc := s.decide(w.req)
	s.respond(w.req, nrc, w.functional, w.pended, w.due)
}

// abandon drops everything in progress: power is lost or the unit resets.
func (s *Server) abandon(why byte) {
	s.work.active = false
	s.queue = s.queue[:0]
	s.reset, s.resetBy, s.owed = 0, 0, false
	s.abortRoutines(why)
	for _, t := range s.tests {
		s.endTest(t, routineAborted, why)
	}
	s.stopPeriodic(nil)
	s.enter(&s.sessions[0])
}

// restart is a reset: silent for the boot time, then in the default session.
func (s *Server) restart(kind ResetKind) {
	s.abandon(reasonReset)
	s.forgetDynamic()
	s.silentUntil = s.now + s.spec.Timing.Boot.d()
	s.access.powerUp(s.now)
	_, invalid := s.nv.Get(invalidName)
	s.setBoot(invalid)
	s.plant.Reset(kind)
	s.resume()
}
