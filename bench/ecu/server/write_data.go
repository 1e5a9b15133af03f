package server

import "sawhorse/canbus/uds"

// writeData is service 2E: identifier known and writable in the session, then
// length, security, value, conditions.
func writeData() Service {
	return Service{ID: uds.WriteDataByIdentifier, Name: "write data", Slow: true, item: itemAt(1), run: func(s *Server, q *request) reply {
		if len(q.data) < 4 {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		id := q.word(1)
		d := s.dids[id]
		if d == nil || d.write == nil || d.write.in&s.session.mask == 0 {
			return refused(uds.RequestOutOfRange)
		}
		data := q.data[3:]
		switch {
		case len(data) != d.layout.size():
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		case !s.locks.allow(d.write.security):
			return refused(uds.SecurityAccessDenied)
		case !d.layout.sound(data):
			return refused(uds.RequestOutOfRange)
		}
		if nrc := q.unmet(s.readings, d.write.needs); nrc != 0 {
			return refused(nrc)
		}
		return answered(append16(q.positive(), id), func() { d.layout.store(data, s.nv) })
	}}
}
