package server

import "sawhorse/canbus/uds"

// communicationControl is service 28 for normal messages: sub-function bit 0
// stops sending, bit 1 stops receiving. Network management messages have no
// effect here, as the unit sends none.
func communicationControl() Service {
	own := subs(uds.EnableRxAndTx, uds.EnableRxAndDisableTx, uds.DisableRxAndEnableTx, uds.DisableRxAndTx)
	return Service{ID: uds.CommunicationControl, Name: "communication control", Subs: own, Session: true, run: func(s *Server, q *request) reply {
		if len(q.data) != 3 {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		kind, subnet := q.data[2]&0x03, q.data[2]>>4
		if kind == 0 || q.data[2]&0x0C != 0 || subnet != 0x0 && subnet != 0xF {
			return refused(uds.RequestOutOfRange)
		}
		if nrc := q.unmet(s.readings, nil); nrc != 0 {
			return refused(nrc)
		}
		r := answered(append(q.positive(), q.sub))
		if kind&1 != 0 {
			r.effects = append(r.effects, func() { s.communicate(q.sub&2 == 0, q.sub&1 == 0) })
		}
		return r
	}}
}
