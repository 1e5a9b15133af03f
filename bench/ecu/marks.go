package ecu

// marks are the numbers of the codes that failed and were confirmed first and last
// since the last clear, -1 for none (ISO 14229-1 service 19, 0B to 0E).
type marks struct{ firstFailed, firstConfirmed, lastFailed, lastConfirmed int }

var noMarks = marks{-1, -1, -1, -1}

func (m *marks) fail(i int) {
	m.lastFailed = i
	if m.firstFailed < 0 {
		m.firstFailed = i
	}
}

func (m *marks) confirm(i int) {
	m.lastConfirmed = i
	if m.firstConfirmed < 0 {
		m.firstConfirmed = i
	}
}

// drop forgets a code that is cleared.
func (m *marks) drop(i int) {
	for _, at := range []*int{&m.firstFailed, &m.firstConfirmed, &m.lastFailed, &m.lastConfirmed} {
		if *at == i {
			*at = -1
		}
	}
}
