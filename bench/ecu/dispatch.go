package ecu

import "slices"

// handler is one service of UDS as the server has it.
type handler struct {
	// subs are the sub-functions it knows; nil for a service without. A
	// service whose sub-functions depend on the spec has an empty list.
	subs []byte
	run  func(s *Server, req []byte) byte
}

// handlers are the UDS services the server has (ISO 14229-1).
var handlers map[byte]handler

func init() {
	handlers = map[byte]handler{
		0x10: {[]byte{}, (*Server).sessionControl},
		0x11: {[]byte{1, 2, 3}, (*Server).ecuReset},
		0x14: {nil, (*Server).clearInformation},
		0x19: {readCodeSubs, (*Server).readCodes},
		0x22: {nil, (*Server).readData},
		0x23: {nil, (*Server).readMemory},
		0x24: {nil, (*Server).readScaling},
		0x27: {[]byte{}, (*Server).securityAccess},
		0x28: {[]byte{0, 1, 2, 3}, (*Server).communicationControl},
		0x2A: {nil, (*Server).readPeriodic},
		0x2C: {[]byte{1, 2, 3}, (*Server).defineData},
		0x2E: {nil, (*Server).writeData},
		0x2F: {nil, (*Server).controlOutput},
		0x31: {[]byte{1, 2, 3}, (*Server).routineControl},
		0x34: {nil, (*Server).requestDownload},
		0x36: {nil, (*Server).transferData},
		0x37: {nil, (*Server).transferExit},
		0x3E: {[]byte{0}, (*Server).testerPresent},
		0x85: {[]byte{1, 2}, (*Server).codeSetting},
	}
}

// subsOf lists the sub-functions of a service as this unit can have them.
func (s *Spec) subsOf(sid byte) []byte {
	h := handlers[sid]
	switch sid {
	case 0x10:
		for i := range s.Sessions {
			h.subs = append(h.subs, s.Sessions[i].ID)
		}
	case 0x19:
		if s.OBD == nil {
			return slices.DeleteFunc(slices.Clone(h.subs), func(sub byte) bool { return sub >= 0x42 })
		}
	case 0x27:
		for i := range s.Security {
			h.subs = append(h.subs, 2*s.Security[i].Level-1, 2*s.Security[i].Level)
		}
	}
	return h.subs
}

// decide checks a request in the order of ISO 14229-1:2013 figures 5 and 6 and
// carries it out, unless it is only tried (dry). The positive answer is then in
// s.out; the result is 0, a negative response code, or silence.
func (s *Server) decide(req []byte) byte {
	sid := req[0]
	s.out = append(s.out[:0], sid|positiveBit)
	s.svc = nil
	if sid <= lastOBD && s.hasOBD(sid) {
		return s.emission(req)
	}
	if sid&positiveBit != 0 {
		return silence // an answer of somebody, not a request
	}
	svc := s.services[sid]
	switch {
	case svc == nil, s.boot && !s.bootHas(sid):
		return serviceNotSupported
	case svc.in&s.session.mask == 0:
		return serviceNotInSession
	case !s.access.allows(svc.security):
		return securityAccessDenied
	}
	s.svc = svc
	if svc.subs != nil {
		if len(req) < 2 {
			return wrongLength
		}
		s.sub = req[1] &^ suppressBit
		sub, ok := svc.subs[s.sub]
		switch {
		case !ok:
			return subNotSupported
		case sub.in&s.session.mask == 0 && !(s.boot && sid == 0x10): // the boot program starts in the default session
			return subNotInSession
		case !s.access.allows(sub.security):
			return securityAccessDenied
		}
	}
	nrc := svc.run(s, req)
	if nrc == 0 && len(s.out) > maxMessage {
		return responseTooLong
	}
	return nrc
}

// needs checks the conditions of the running service: the last step before it
// acts.
func (s *Server) needs(rules []rule) byte {
	if r := broken(rules, s.readings); r != nil {
		return r.nrc
	}
	if s.svc == nil {
		return 0
	}
	if r := broken(s.svc.needs, s.readings); r != nil {
		return r.nrc
	}
	return 0
}
