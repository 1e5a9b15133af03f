package server

import "sawhorse/canbus/uds"

// transferData is service 36. The block sequence counter begins with 01, goes from
// FF to 00, and may repeat the block before, whose answer was lost: that is
// answered again and not written twice.
func transferData() Service {
	return Service{ID: uds.TransferData, Name: "transfer data", Session: true, Physical: true, Slow: true, run: func(s *Server, q *request) reply {
		t := s.transfer
		switch {
		case len(q.data) < 2 || len(q.data) > s.unit.Programming.MaxBlock:
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		case t == nil:
			return refused(uds.RequestSequenceError)
		}
		counter, data := q.data[1], q.data[2:]
		b := append(q.positive(), counter)
		switch {
		case t.began && counter == t.last:
			return answered(b)
		case counter != t.next:
			return refused(uds.WrongBlockSequenceCounter)
		case len(data) == 0:
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		case t.at == t.end:
			return refused(uds.RequestSequenceError)
		case uint32(len(data)) > t.end-t.at:
			return refused(uds.TransferDataSuspended)
		}
		if nrc := q.unmet(s.readings, s.programBy); nrc != 0 {
			return refused(nrc)
		}
		return answered(b, func() { s.write(t, counter, data) })
	}}
}
