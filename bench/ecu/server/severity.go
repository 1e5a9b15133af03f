package server

import (
	"sawhorse/bench/ecu/dtc"
	"sawhorse/canbus/uds"
)

// severityMask are the severity bits there are.
const severityMask = 0xFF

func appendSeverity(b []byte, e *dtc.Entry) []byte {
	return appendCode(append(b, e.Severity, e.Unit), e)
}

// severe reports whether a code matches masks of severity and status.
func severe(e *dtc.Entry, masks []byte) bool {
	return e.Severity&masks[0] != 0 && e.Status&masks[1] != 0
}

// countBySeverity and bySeverity are 19 07 and 08.
func countBySeverity(s *Server, b, masks []byte) ([]byte, uds.NRC) {
	n := 0
	for e := range s.mem.All() {
		if severe(&e, masks) {
			n++
		}
	}
	return append16(append(b, s.mem.Available(), uds.FormatISO14229), uint16(n)), 0
}

func bySeverity(s *Server, b, masks []byte) ([]byte, uds.NRC) {
	b = append(b, s.mem.Available())
	for e := range s.mem.All() {
		if severe(&e, masks) {
			b = appendSeverity(b, &e)
		}
	}
	return b, 0
}

// severityOf is 19 09.
func severityOf(s *Server, b, number []byte) ([]byte, uds.NRC) {
	e, ok := s.mem.Find(three(number))
	if !ok {
		return nil, uds.RequestOutOfRange
	}
	return appendSeverity(append(b, s.mem.Available()), &e), 0
}

// emissionBySeverity is 19 42 of emission OBD in UDS: codes by status and severity.
func emissionBySeverity(s *Server, b, arguments []byte) ([]byte, uds.NRC) {
	if arguments[0] != uds.EmissionSystem {
		return nil, uds.RequestOutOfRange
	}
	b = append(b, arguments[0], s.mem.Available(), severityMask, uds.FormatJ2012Form4)
	for e := range s.mem.All() {
		if e.Emission && severe(&e, []byte{arguments[2], arguments[1]}) {
			b = appendCode(append(b, e.Severity), &e)
		}
	}
	return b, 0
}

// emissionPermanent is 19 55: permanent codes.
func emissionPermanent(s *Server, b, group []byte) ([]byte, uds.NRC) {
	if group[0] != uds.EmissionSystem {
		return nil, uds.RequestOutOfRange
	}
	b = append(b, group[0], s.mem.Available(), uds.FormatJ2012Form4)
	return s.appendWhere(b, func(e *dtc.Entry) bool { return e.Permanent }), 0
}

// byReadinessGroup is 19 56: the codes of a readiness monitor.
func byReadinessGroup(s *Server, b, arguments []byte) ([]byte, uds.NRC) {
	monitor, ok := s.mem.Group(arguments[1])
	if !ok || arguments[0] != uds.EmissionSystem {
		return nil, uds.RequestOutOfRange
	}
	b = append(b, arguments[0], s.mem.Available(), uds.FormatJ2012Form4, arguments[1])
	return s.appendWhere(b, func(e *dtc.Entry) bool { return e.Emission && e.Monitor == monitor }), 0
}
