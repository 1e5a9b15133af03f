package server

import "sawhorse/canbus/uds"

// codeSetting is service 85: 01 the memory keeps codes, 02 it does not.
func codeSetting() Service {
	return Service{ID: uds.ControlDTCSetting, Name: "code setting", Subs: subs(uds.DTCSettingOn, uds.DTCSettingOff), Session: true, run: func(s *Server, q *request) reply {
		if len(q.data) != 2 {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		if nrc := q.unmet(s.readings, nil); nrc != 0 {
			return refused(nrc)
		}
		return answered(append(q.positive(), q.sub), func() { s.mem.SetRecording(q.sub == uds.DTCSettingOn && !s.boot) })
	}}
}
