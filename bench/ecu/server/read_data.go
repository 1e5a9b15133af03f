package server

import "sawhorse/canbus/uds"

// maxDIDs bounds the identifiers of one request of service 22.
const maxDIDs = 16

// readData is service 22: of several identifiers only those that are supported
// in the session are answered; 31 only when none is.
func readData() Service {
	return Service{ID: uds.ReadDataByIdentifier, Name: "read data", Slow: true, item: itemAt(1), run: func(s *Server, q *request) reply {
		if len(q.data) < 3 || len(q.data)%2 == 0 || len(q.data) > 1+2*maxDIDs {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		b := q.positive()
		for i := 1; i < len(q.data); i += 2 {
			more, nrc := s.appendDID(b, q.word(i))
			if nrc != 0 && nrc != uds.RequestOutOfRange {
				return refused(nrc)
			}
			b = more
		}
		if len(b) == 1 {
			return refused(uds.RequestOutOfRange)
		}
		if nrc := q.unmet(s.readings, nil); nrc != 0 {
			return refused(nrc)
		}
		return answered(b)
	}}
}
