package server

import (
	"slices"

	"sawhorse/bench/ecu/dtc"
	"sawhorse/canbus/uds"
)

// Extended data records: operation cycles with a failure, warm-ups since the last
// of them, and the fault detection counter.
const (
	occurrenceRecord = 1
	agingRecord      = 2
	counterRecord    = 3
)

func extendedRecords() []byte { return []byte{occurrenceRecord, agingRecord, counterRecord} }

// extended is one extended data record of a code.
func extended(e *dtc.Entry, record byte) byte {
	switch record {
	case occurrenceRecord:
		return e.Occurrences
	case agingRecord:
		return e.Aged
	}
	return byte(e.Counter)
}

// extendedData is 19 06.
func extendedData(s *Server, b, arguments []byte) ([]byte, uds.NRC) {
	e, ok := s.mem.Find(three(arguments))
	record := arguments[3]
	if !ok || record != uds.AllRecords && !slices.Contains(extendedRecords(), record) {
		return nil, uds.RequestOutOfRange
	}
	b = appendCode(b, &e)
	if !e.FailedSinceClear() {
		return b, 0
	}
	for _, k := range extendedRecords() {
		if record == k || record == uds.AllRecords {
			b = append(b, k, extended(&e, k))
		}
	}
	return b, 0
}

// extendedByRecord is 19 16: the record of all codes that have it.
func extendedByRecord(s *Server, b, record []byte) ([]byte, uds.NRC) {
	if !slices.Contains(extendedRecords(), record[0]) {
		return nil, uds.RequestOutOfRange
	}
	b = append(b, record[0])
	for e := range s.mem.All() {
		if e.FailedSinceClear() {
			b = append(appendCode(b, &e), extended(&e, record[0]))
		}
	}
	return b, 0
}

// codesWithRecord is 19 1A: the codes that have such a record.
func codesWithRecord(s *Server, b, record []byte) ([]byte, uds.NRC) {
	if !slices.Contains(extendedRecords(), record[0]) {
		return nil, uds.RequestOutOfRange
	}
	return s.appendWhere(append(b, s.mem.Available(), record[0]), func(*dtc.Entry) bool { return true }), 0
}
