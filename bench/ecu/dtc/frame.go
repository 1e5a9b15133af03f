package dtc

import "sawhorse/canbus/uds"

// frame is freeze frame 00: the values at the failure of one code.
type frame struct {
	// code is the number of the owner, -1 for none.
	code int
	rank int
	data []byte
}

// confirmedRank lifts a confirmed code above a pending one of equal priority.
const confirmedRank = 1

func (m *Memory) rank(i int) int {
	rank := 2 * m.codes[i].Priority
	if m.recs[i].status&uds.ConfirmedDTC != 0 {
		rank += confirmedRank
	}
	return rank
}

// offerFrame gives the frame to a code that just failed or became confirmed:
// when it is free, or held by one of lower rank. Misfire and fuel system codes
// (priority 2) so replace others, never the reverse. The owner keeps the
// values of its first failure.
func (m *Memory) offerFrame(i int) {
	if !m.codes[i].Emission {
		return
	}
	rank := m.rank(i)
	switch {
	case m.frame.code == i:
		m.frame.rank = max(m.frame.rank, rank)
	case m.frame.code < 0 || rank > m.frame.rank:
		m.frame.code, m.frame.rank = i, rank
		m.frame.data = m.frame.data[:0]
		if m.capture != nil {
			m.frame.data = m.capture(m.frame.data)
		}
	}
}

// dropFrame erases the frame if that code owns it.
func (m *Memory) dropFrame(i int) {
	if m.frame.code == i {
		m.frame.code, m.frame.rank, m.frame.data = -1, 0, m.frame.data[:0]
	}
}

// FrameCode is PID 02: the code that stored the frame, 0 for none.
func (m *Memory) FrameCode() uds.DTC {
	if m.frame.code < 0 {
		return 0
	}
	return m.codes[m.frame.code].DTC()
}

// snapshot keeps the values at the first and at the latest failure.
func (m *Memory) snapshot(r *record, first, latest bool) {
	if m.capture == nil {
		return
	}
	if first {
		r.first = m.capture(r.first[:0])
	}
	if latest {
		r.latest = m.capture(r.latest[:0])
	}
}

// Frame is freeze frame 00: the code that owns it and the values at its failure; false
// for none. The bytes are the memory's.
func (m *Memory) Frame() (Entry, []byte, bool) {
	if m.frame.code < 0 {
		return Entry{}, nil, false
	}
	return m.entry(m.frame.code), m.frame.data, true
}
