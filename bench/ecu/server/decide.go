package server

import (
	"slices"

	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// decide checks a request in the order of ISO 14229-1:2013 figures 5 and 6 and has its
// service decide it. Nothing changes until the reply is carried out.
func (s *Server) decide(req []byte, functional bool) reply {
	sid := uds.Service(req[0])
	if !sid.IsRequest() {
		return silence() // an answer of somebody, not a request
	}
	if !s.has(sid, functional) {
		return refused(uds.ServiceNotSupported)
	}
	x := s.services[sid]
	switch {
	case x.in&s.session.mask == 0:
		return refused(uds.ServiceNotSupportedInActiveSession)
	case !s.locks.allow(x.security):
		return refused(uds.SecurityAccessDenied)
	}
	q := &request{data: req, service: x}
	if x.own != nil {
		if nrc := s.subFunction(q); nrc != 0 {
			return refused(nrc)
		}
	}
	r := x.run(s, q)
	if len(r.answer) > spec.MaxMessage {
		return refused(uds.ResponseTooLong)
	}
	if r.refusal != 0 {
		r.why = q.why
	}
	return r
}

// has reports whether the unit, or its boot program while only that runs, has a service
// for requests of this kind.
func (s *Server) has(sid uds.Service, functional bool) bool {
	x := s.services[sid]
	return x != nil && !(functional && x.Physical) && (!s.boot || slices.Contains(s.unit.Programming.Services, uint8(sid)))
}

// subFunction takes the sub-function of a request, or says why it has none here.
func (s *Server) subFunction(q *request) uds.NRC {
	if len(q.data) < 2 {
		return uds.IncorrectMessageLengthOrInvalidFormat
	}
	q.sub = q.data[1] &^ uds.SuppressPositiveResponse
	a, ok := q.service.own[q.sub]
	switch {
	case !ok:
		return uds.SubFunctionNotSupported
	case a.in&s.session.mask == 0 && !(s.boot && q.service.ID == uds.DiagnosticSessionControl): // the boot program starts in the default session
		return uds.SubFunctionNotSupportedInActiveSession
	case !s.locks.allow(a.security):
		return uds.SecurityAccessDenied
	}
	return 0
}
