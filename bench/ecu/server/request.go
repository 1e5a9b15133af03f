package server

import (
	"time"

	"sawhorse/canbus/uds"
)

// work is the one slow request in progress.
type work struct {
	active     bool
	req        []byte
	functional bool
	pended     bool
	due        time.Duration
	// pendAt is when the next "response pending" leaves.
	pendAt time.Duration
}

// Request takes one request message (service identifier first). It answers
// through NextResponse, later, or not at all.
//
// A request whose work takes its time is decided twice: now, so that a refusal comes at
// once, and when the work is done, which is when it is carried out.
func (s *Server) Request(now time.Duration, functional bool, req []byte) {
	s.Tick(now)
	if len(req) == 0 || !s.Alive(now) || s.reset != 0 {
		return
	}
	if len(s.queue) >= maxQueue {
		s.dropped++
		return
	}
	if s.work.active {
		s.busy(functional, req)
		return
	}
	r := s.decide(req, functional)
	if takes := s.takes(req); r.positive() && takes > 0 {
		s.work = work{active: true, req: append(s.work.req[:0], req...), functional: functional,
			due: now + max(takes, s.delay()), pendAt: now + s.session.p2*3/5}
		return
	}
	s.overrule(req, &r)
	r.carryOut()
	s.respond(req, &r, functional, false, now+s.delay())
}

// takes is how long a request's work lasts; 0 for an ordinary answer.
func (s *Server) takes(req []byte) time.Duration {
	for i := range s.unit.Slow {
		w := &s.unit.Slow[i]
		if x := s.services[req[0]]; w.Service == req[0] && (w.Item == nil || x != nil && *w.Item == x.itemOf(req)) {
			return w.Takes.Duration()
		}
	}
	return 0
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
		s.push(response{due: w.pendAt, data: uds.Refuse(uds.Service(w.req[0]), uds.ResponsePending)})
		w.pendAt += s.session.p2Star * 7 / 10
	}
	if s.now < w.due {
		return
	}
	w.active = false
	r := s.decide(w.req, w.functional)
	s.overrule(w.req, &r)
	r.carryOut()
	s.respond(w.req, &r, w.functional, w.pended, w.due)
}

// busy treats a request that comes while another is worked on: tester present
// is taken, any other is to be repeated.
func (s *Server) busy(functional bool, req []byte) {
	sid := uds.Service(req[0])
	if sid == uds.TesterPresent && len(req) == 2 && req[1]&^uds.SuppressPositiveResponse == uds.ZeroSubFunction {
		if req[1]&uds.SuppressPositiveResponse == 0 {
			s.push(response{due: s.now + s.delay(), data: []byte{sid.Positive(), uds.ZeroSubFunction}})
		}
		return
	}
	if functional && !s.has(sid, true) {
		return
	}
	s.why = ""
	s.push(response{due: s.now + s.delay(), data: uds.Refuse(sid, uds.BusyRepeatRequest)})
}

// respond queues the answer to a request, unless it must stay unsaid.
func (s *Server) respond(req []byte, r *reply, functional, pended bool, due time.Duration) {
	x := s.services[req[0]]
	suppressed := x != nil && x.own != nil && len(req) > 1 && req[1]&uds.SuppressPositiveResponse != 0
	switch {
	case r.silent,
		r.refusal != 0 && functional && !pended && r.refusal.UnsaidToAll(),
		r.refusal == 0 && suppressed && !pended:
		s.quiet()
	case r.refusal != 0:
		s.why = r.why
		s.push(response{due: due, data: uds.Refuse(uds.Service(req[0]), r.refusal), final: true})
	default:
		s.push(response{due: due, data: r.answer, final: true})
	}
}

// Why is the unit's own reason for what it has refused last, in words: the condition that
// did not hold. It is "" where there was none. No message tells it: it is for people who
// look on.
func (s *Server) Why() string { return s.why }

// quiet ends a request without an answer.
func (s *Server) quiet() {
	s.keepSession()
	if s.reset != 0 {
		s.restart(s.reset)
	}
}
