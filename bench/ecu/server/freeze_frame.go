package server

import "sawhorse/canbus/uds"

// codeOfFrame is the PID with the code that stored the freeze frame.
const codeOfFrame = 0x02

// freezeFrame is service 02: one to three pairs of PID and frame number, of
// which only frame 00 exists.
func freezeFrame() Service {
	return Service{ID: uds.FreezeFrame, Name: "freeze frame", Has: hasOBD, run: func(s *Server, q *request) reply {
		pairs := q.data[1:]
		if len(pairs) == 0 || len(pairs) > 6 || len(pairs)%2 != 0 || mixed(pairs, 2) {
			return silence()
		}
		b := q.positive()
		for i := 0; i < len(pairs); i += 2 {
			if pairs[i+1] == 0 {
				b = s.appendFrozen(b, pairs[i])
			}
		}
		return unlessEmpty(b)
	}}
}

// appendFrozen adds a PID of the frame with its data, if there is one.
func (s *Server) appendFrozen(b []byte, pid byte) []byte {
	_, data, stored := s.mem.Frame()
	switch {
	case uds.IsRange(pid):
		if mask := supported(pid, s.hasFrozen); mask != 0 || pid == 0 {
			b = append32(append(b, pid, 0), mask)
		}
	case pid == codeOfFrame:
		b = append16(append(b, pid, 0), uint16(s.mem.FrameCode()))
	case stored:
		b = s.appendFrom(b, data, pid, pid, 0)
	}
	return b
}

func (s *Server) hasFrozen(id byte) bool {
	for _, f := range s.frozen {
		if f.pid == id {
			return true
		}
	}
	return id == codeOfFrame
}
