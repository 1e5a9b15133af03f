package server

import (
	"sawhorse/bench/ecu/dtc"
	"sawhorse/canbus/uds"
)

// appendNumber adds the three bytes of a code.
func appendNumber(b []byte, e *dtc.Entry) []byte {
	n := e.Number()
	return append(b, byte(n>>16), byte(n>>8), byte(n))
}

// appendCode adds a code with its status.
func appendCode(b []byte, e *dtc.Entry) []byte { return append(appendNumber(b, e), e.Status) }

// appendWhere adds the codes that match, each with its status.
func (s *Server) appendWhere(b []byte, match func(e *dtc.Entry) bool) []byte {
	for e := range s.mem.All() {
		if match(&e) {
			b = appendCode(b, &e)
		}
	}
	return b
}

// listing reports codes with their status.
func listing(match func(e *dtc.Entry) bool) func(s *Server, b, _ []byte) ([]byte, uds.NRC) {
	return func(s *Server, b, _ []byte) ([]byte, uds.NRC) {
		return s.appendWhere(append(b, s.mem.Available()), match), 0
	}
}

// marked reports the code that came first or last, if there is one.
func marked(k dtc.Mark) func(s *Server, b, _ []byte) ([]byte, uds.NRC) {
	return func(s *Server, b, _ []byte) ([]byte, uds.NRC) {
		b = append(b, s.mem.Available())
		if e, ok := s.mem.Marked(k); ok {
			b = appendCode(b, &e)
		}
		return b, 0
	}
}

// countByStatus and byStatus are 19 01 and 02.
func countByStatus(s *Server, b, mask []byte) ([]byte, uds.NRC) {
	n := 0
	for e := range s.mem.All() {
		if e.Status&mask[0] != 0 {
			n++
		}
	}
	return append16(append(b, s.mem.Available(), uds.FormatISO14229), uint16(n)), 0
}

func byStatus(s *Server, b, mask []byte) ([]byte, uds.NRC) {
	return listing(func(e *dtc.Entry) bool { return e.Status&mask[0] != 0 })(s, b, nil)
}

// counters is 19 14: the codes that are on their way to failed.
func counters(s *Server, b, _ []byte) ([]byte, uds.NRC) {
	for e := range s.mem.All() {
		if e.Counter > 0 && e.Counter < 127 {
			b = append(appendNumber(b, &e), byte(e.Counter))
		}
	}
	return b, 0
}

// Snapshot records: the first failure since clear, and the latest.
const (
	firstRecord  = 1
	latestRecord = 2
)

// snapshotList is 19 03.
func snapshotList(s *Server, b, _ []byte) ([]byte, uds.NRC) {
	for e := range s.mem.All() {
		if len(e.First) > 0 {
			b = append(appendNumber(b, &e), firstRecord)
		}
		if len(e.Latest) > 0 {
			b = append(appendNumber(b, &e), latestRecord)
		}
	}
	return b, 0
}

// snapshots is 19 04: the frozen PIDs as identifiers F4xx. A code without
// the record is answered with number and status only.
func snapshots(s *Server, b, arguments []byte) ([]byte, uds.NRC) {
	e, ok := s.mem.Find(three(arguments))
	record := arguments[3]
	if !ok || record != firstRecord && record != latestRecord && record != uds.AllRecords {
		return nil, uds.RequestOutOfRange
	}
	b = appendCode(b, &e)
	if record == firstRecord || record == uds.AllRecords {
		b = s.appendSnapshot(b, firstRecord, e.First)
	}
	if record == latestRecord || record == uds.AllRecords {
		b = s.appendSnapshot(b, latestRecord, e.Latest)
	}
	return b, 0
}

func (s *Server) appendSnapshot(b []byte, record byte, snapshot []byte) []byte {
	if len(snapshot) == 0 {
		return b
	}
	return s.appendAll(append(b, record, byte(len(s.frozen))), snapshot)
}

// storedFrame is 19 05: freeze frame 00 as stored data record 00.
func storedFrame(s *Server, b, record []byte) ([]byte, uds.NRC) {
	if record[0] != 0 || len(s.frozen) == 0 {
		return nil, uds.RequestOutOfRange
	}
	b = append(b, record[0])
	if e, data, ok := s.mem.Frame(); ok {
		b = s.appendAll(append(appendCode(b, &e), byte(len(s.frozen))), data)
	}
	return b, 0
}
