package server

import "sawhorse/canbus/uds"

// testerPresent is service 3E.
func testerPresent() Service {
	return Service{ID: uds.TesterPresent, Name: "tester present", Subs: subs(uds.ZeroSubFunction), run: func(_ *Server, q *request) reply {
		if len(q.data) != 2 {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		return answered(append(q.positive(), q.sub))
	}}
}
