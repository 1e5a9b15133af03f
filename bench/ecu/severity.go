package ecu

// readCodeSubs are the sub-functions of service 19 that the memory supports; those
// from 42 on are emission OBD's.
var readCodeSubs = []byte{0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E,
	0x14, 0x15, 0x16, 0x1A, 0x42, 0x55, 0x56}

// Values of service 19 for emission OBD: the functional group of emission systems,
// the format of SAE J2012-DA with failure types, and the severity bits there are.
const (
	emissionFunction = 0x33
	formatJ2012      = 0x04
	severityMask     = 0xFF
)

// appendFrame is 19 05: freeze frame 00 as stored data record 00.
func (s *Server) appendFrame(record byte) byte {
	if record != 0 || len(s.frozen) == 0 {
		return requestOutOfRange
	}
	s.out = append(s.out, record)
	i := s.mem.frame.code
	if i < 0 {
		return 0
	}
	s.out = append(s.appendNumber(i), s.mem.Status(i), byte(len(s.frozen)))
	for _, f := range s.frozen {
		s.appendFrom(s.mem.frame.data, f.pid, 0xF4, f.pid)
	}
	return 0
}

// appendSeverity is 19 07 (count by severity and status), 08 (list) and 09 (one
// code).
func (s *Server) appendSeverity(b []byte) byte {
	m := s.mem
	one := func(i int) {
		s.out = append(s.out, m.codes[i].Severity, m.codes[i].Unit)
		s.out = append(s.appendNumber(i), m.Status(i))
	}
	s.out = append(s.out, m.available)
	if s.sub == 0x09 {
		i, ok := m.find(three(b))
		if !ok {
			return requestOutOfRange
		}
		one(i)
		return 0
	}
	n := 0
	for i := range m.codes {
		if m.codes[i].Severity&b[0] == 0 || m.Status(i)&b[1] == 0 {
			continue
		}
		if n++; s.sub == 0x08 {
			one(i)
		}
	}
	if s.sub == 0x07 {
		s.out = append16(append(s.out, formatISO14229), uint16(n))
	}
	return 0
}

// appendRecord is 19 16 (extended data of all codes by record number) and 1A (the
// codes that have such a record).
func (s *Server) appendRecord(record byte) byte {
	known := false
	for _, k := range extendedRecords {
		known = known || k == record
	}
	if !known {
		return requestOutOfRange
	}
	m := s.mem
	if s.sub == 0x1A {
		s.out = append(s.out, m.available, record)
		s.appendWhere(func(int) bool { return true })
		return 0
	}
	s.out = append(s.out, record)
	for i := range m.recs {
		if m.recs[i].status&failedSinceClear != 0 {
			s.out = append(s.appendNumber(i), m.Status(i), s.extended(i, record))
		}
	}
	return 0
}

// appendEmission is emission OBD in UDS: 19 42 codes by status and severity, 55
// permanent codes, 56 the codes of a readiness group.
func (s *Server) appendEmission(b []byte) byte {
	m := s.mem
	if b[0] != emissionFunction {
		return requestOutOfRange
	}
	s.out = append(s.out, b[0], m.available)
	switch s.sub {
	case 0x42:
		s.out = append(s.out, severityMask, formatJ2012)
		for i := range m.codes {
			if c := &m.codes[i]; c.Emission && c.Severity&b[2] != 0 && m.Status(i)&b[1] != 0 {
				s.out = append(s.out, c.Severity)
				s.out = append(s.appendNumber(i), m.Status(i))
			}
		}
	case 0x55:
		s.out = append(s.out, formatJ2012)
		s.appendWhere(func(i int) bool { return m.recs[i].permanent })
	case 0x56:
		g := m.group(b[1])
		if g == nil {
			return requestOutOfRange
		}
		s.out = append(s.out, formatJ2012, b[1])
		s.appendWhere(func(i int) bool { return m.codes[i].Emission && m.codes[i].Monitor == g.name })
	}
	return 0
}

// readinessGroup is the identifier of a monitor in 19 56: its place in PID 01,
// bytes B and C counted on, from 01 (chosen; the published list is not at hand).
func readinessGroup(name string) byte {
	b := monitorBits[name]
	if b.continuous {
		return 1 + b.bit
	}
	return 4 + b.bit
}

func (m *Memory) group(id byte) *monitor {
	for i := range m.groups {
		if readinessGroup(m.groups[i].name) == id {
			return &m.groups[i]
		}
	}
	return nil
}
