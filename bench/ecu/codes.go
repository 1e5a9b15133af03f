package ecu

import "slices"

// formatISO14229 is the DTCFormatIdentifier of service 19 01.
const formatISO14229 = 1

// clearInformation is service 14: all, the emission group, or one code.
func (s *Server) clearInformation(req []byte) byte {
	if len(req) != 4 {
		return wrongLength
	}
	group := three(req[1:])
	if _, one := s.mem.find(group); !one && group != allGroups && (group != emissionGroup || s.spec.OBD == nil) {
		return requestOutOfRange
	}
	if r := broken(s.clearBy, s.readings); r != nil {
		return conditionsNotCorrect
	}
	if nrc := s.needs(nil); nrc != 0 {
		return nrc
	}
	if !s.dry {
		s.mem.Clear(group)
	}
	return 0
}

func three(b []byte) uint32 { return uint32(b[0])<<16 | uint32(b[1])<<8 | uint32(b[2]) }

// readCodes is service 19.
func (s *Server) readCodes(req []byte) byte {
	if len(req) != 2+argumentsOf[s.sub] {
		return wrongLength
	}
	if nrc := s.needs(nil); nrc != 0 {
		return nrc
	}
	m := s.mem
	s.out = append(s.out, s.sub)
	switch s.sub {
	case 0x01:
		s.out = append(s.out, m.available, formatISO14229)
		s.out = append16(s.out, uint16(m.count(req[2])))
	case 0x02:
		s.out = append(s.out, m.available)
		s.appendWhere(func(i int) bool { return m.Status(i)&req[2] != 0 })
	case 0x03:
		s.appendSnapshotList()
	case 0x04:
		return s.appendSnapshots(three(req[2:]), req[5])
	case 0x06:
		return s.appendExtended(three(req[2:]), req[5])
	case 0x05:
		return s.appendFrame(req[2])
	case 0x07, 0x08, 0x09:
		return s.appendSeverity(req[2:])
	case 0x0B, 0x0C, 0x0D, 0x0E:
		s.out = append(s.out, m.available)
		i := [...]int{m.marks.firstFailed, m.marks.firstConfirmed, m.marks.lastFailed, m.marks.lastConfirmed}[s.sub-0x0B]
		s.appendWhere(func(k int) bool { return k == i })
	case 0x16, 0x1A:
		return s.appendRecord(req[2])
	case 0x42, 0x55, 0x56:
		return s.appendEmission(req[2:])
	case 0x0A:
		s.out = append(s.out, m.available)
		s.appendWhere(func(int) bool { return true })
	case 0x14:
		for i := range m.recs {
			if n := m.recs[i].counter(&m.limits[i]); n > 0 && n < 127 {
				s.out = append(s.appendNumber(i), byte(n))
			}
		}
	case 0x15:
		s.out = append(s.out, m.available)
		s.appendWhere(func(i int) bool { return m.recs[i].permanent })
	}
	return 0
}

// argumentsOf is the number of bytes after the sub-function of service 19.
var argumentsOf = map[byte]int{0x01: 1, 0x02: 1, 0x04: 4, 0x05: 1, 0x06: 4, 0x07: 2, 0x08: 2, 0x09: 3, 0x16: 1, 0x1A: 1,
	0x42: 3, 0x55: 1, 0x56: 2}

// count is the number of codes that match a status mask.
func (m *Memory) count(mask byte) int {
	n := 0
	for i := range m.recs {
		if m.Status(i)&mask != 0 {
			n++
		}
	}
	return n
}

func (s *Server) appendNumber(i int) []byte {
	n := s.mem.codes[i].number()
	return append(s.out, byte(n>>16), byte(n>>8), byte(n))
}

func (s *Server) appendWhere(match func(i int) bool) {
	for i := range s.mem.recs {
		if match(i) {
			s.out = append(s.appendNumber(i), s.mem.Status(i))
		}
	}
}

// Snapshot records: the first failure since clear, and the latest.
const (
	firstRecord  = 1
	latestRecord = 2
	allRecords   = 0xFF
)

func (s *Server) appendSnapshotList() {
	for i := range s.mem.recs {
		r := &s.mem.recs[i]
		if len(r.first) > 0 {
			s.out = append(s.appendNumber(i), firstRecord)
		}
		if len(r.latest) > 0 {
			s.out = append(s.appendNumber(i), latestRecord)
		}
	}
}

// appendSnapshots is 19 04: the frozen PIDs as identifiers F4xx. A code without
// the record is answered with number and status only.
func (s *Server) appendSnapshots(number uint32, record byte) byte {
	i, ok := s.mem.find(number)
	if !ok || record != firstRecord && record != latestRecord && record != allRecords {
		return requestOutOfRange
	}
	r := &s.mem.recs[i]
	s.out = append(s.appendNumber(i), s.mem.Status(i))
	if record == firstRecord || record == allRecords {
		s.appendSnapshot(firstRecord, r.first)
	}
	if record == latestRecord || record == allRecords {
		s.appendSnapshot(latestRecord, r.latest)
	}
	return 0
}

func (s *Server) appendSnapshot(record byte, snapshot []byte) {
	if len(snapshot) == 0 {
		return
	}
	s.out = append(s.out, record, byte(len(s.frozen)))
	for _, f := range s.frozen {
		s.appendFrom(snapshot, f.pid, 0xF4, f.pid)
	}
}

// Extended data records: operation cycles with a failure, warm-ups since the last
// of them, and the fault detection counter.
const (
	occurrenceRecord = 1
	agingRecord      = 2
	counterRecord    = 3
)

var extendedRecords = []byte{occurrenceRecord, agingRecord, counterRecord}

// appendExtended is 19 06.
func (s *Server) appendExtended(number uint32, record byte) byte {
	i, ok := s.mem.find(number)
	if !ok || record != allRecords && !slices.Contains(extendedRecords, record) {
		return requestOutOfRange
	}
	r := &s.mem.recs[i]
	s.out = append(s.appendNumber(i), s.mem.Status(i))
	if r.status&failedSinceClear == 0 {
		return 0
	}
	for _, k := range extendedRecords {
		if record == k || record == allRecords {
			s.out = append(s.out, k, s.extended(i, k))
		}
	}
	return 0
}

// extended is one extended data record of a code.
func (s *Server) extended(i int, record byte) byte {
	r := &s.mem.recs[i]
	switch record {
	case occurrenceRecord:
		return r.occurrences
	case agingRecord:
		return r.aged
	}
	return byte(r.counter(&s.mem.limits[i]))
}
