package server

import (
	"sawhorse/bench/ecu/dtc"
	"sawhorse/canbus/uds"
)

// confirmedCodes, pendingCodes and permanentCodes are services 03, 07 and 0A: a count, then
// two bytes a code.
func confirmedCodes() Service {
	return codesService(uds.ConfirmedCodes, "confirmed codes", (*dtc.Memory).Confirmed)
}

func pendingCodes() Service {
	return codesService(uds.PendingCodes, "pending codes", (*dtc.Memory).Pending)
}

func permanentCodes() Service {
	return codesService(uds.PermanentCodes, "permanent codes", (*dtc.Memory).Permanent)
}

func codesService(id uds.Service, name string, list func(m *dtc.Memory, dst []uds.DTC) []uds.DTC) Service {
	return Service{ID: id, Name: name, Has: hasOBD, run: func(s *Server, q *request) reply {
		if len(q.data) != 1 {
			return silence()
		}
		codes := list(s.mem, nil)
		codes = codes[:min(len(codes), 255)]
		b := append(q.positive(), byte(len(codes)))
		for _, c := range codes {
			b = append16(b, uint16(c))
		}
		return answered(b)
	}}
}

// clearEmission is service 04. Its only refusal is 22.
func clearEmission() Service {
	return Service{ID: uds.ClearCodes, Name: "clear", Has: hasOBD, Slow: true, run: func(s *Server, q *request) reply {
		switch {
		case len(q.data) != 1:
			return silence()
		case s.mayClear() != 0:
			return refused(s.mayClear())
		}
		return answered(q.positive(), func() { s.mem.Clear(uds.EmissionGroup) })
	}}
}
