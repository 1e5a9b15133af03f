package server

import (
	"encoding/binary"

	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// securityAccess is service 27: odd sub-functions give a seed, the even one
// above takes the key.
func securityAccess() Service {
	own := func(u *spec.Unit) []byte {
		list := []byte{}
		for i := range u.Security {
			list = append(list, 2*u.Security[i].Level-1, 2*u.Security[i].Level)
		}
		return list
	}
	return Service{ID: uds.SecurityAccess, Name: "security access", Subs: own, Session: true, Physical: true, run: func(s *Server, q *request) reply {
		l := s.locks.level((q.sub + 1) / 2)
		if q.sub&1 == 1 {
			return s.requestSeed(q, l)
		}
		return s.sendKey(q, l)
	}}
}

// requestSeed draws the seed when the request is carried out, into the answer's place for
// it. A level that is open has none: its seed is zero.
func (s *Server) requestSeed(q *request, l *spec.Security) reply {
	if len(q.data) != 2 {
		return refused(uds.IncorrectMessageLengthOrInvalidFormat)
	}
	if s.locks.delayed(s.now) {
		return refused(uds.RequiredTimeDelayNotExpired)
	}
	if nrc := q.unmet(s.readings, nil); nrc != 0 {
		return refused(nrc)
	}
	b := append(q.positive(), q.sub, 0, 0, 0, 0)
	if s.locks.open == l.Level {
		return answered(b, s.locks.forgive)
	}
	return answered(b, s.locks.forgive, func() {
		n := s.rand.Uint32()
		for n == 0 {
			n = s.rand.Uint32()
		}
		binary.BigEndian.PutUint32(s.locks.seed[:], n)
		s.locks.seeded = l.Level
		copy(b[2:], s.locks.seed[:])
	})
}

func (s *Server) sendKey(q *request, l *spec.Security) reply {
	switch {
	case len(q.data) != 2+4:
		return refused(uds.IncorrectMessageLengthOrInvalidFormat)
	case s.locks.seeded != l.Level:
		return refused(uds.RequestSequenceError)
	case [4]byte(q.data[2:]) == SecurityKey(l.Secret, s.locks.seed):
		return answered(append(q.positive(), q.sub), func() { s.locks.unlock(l.Level) })
	}
	why := uds.InvalidKey
	if s.locks.wrong()+1 >= l.Attempts {
		why = uds.ExceedNumberOfAttempts
	}
	return refused(why, func() { s.locks.count(s.now, l) })
}
