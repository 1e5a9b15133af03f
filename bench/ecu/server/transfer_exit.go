package server

import "sawhorse/canbus/uds"

// transferExit is service 37: only once all bytes have come.
func transferExit() Service {
	return Service{ID: uds.RequestTransferExit, Name: "end of transfer", Session: true, Physical: true, Slow: true, run: func(s *Server, q *request) reply {
		t := s.transfer
		switch {
		case len(q.data) != 1:
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		case t == nil || t.at != t.end:
			return refused(uds.RequestSequenceError)
		}
		return answered(q.positive(), func() { s.transfer = nil })
	}}
}
