package judge

// Waiting reports whether an undecided expectation waits for something to happen:
// something that must come eventually, the answer to a question, what must follow
// an event. One that only wants nothing bad to happen does not wait: the run may
// end for its sake.
func (j *Judge) Waiting() bool {
	for _, m := range j.monitors {
		if w, ok := m.(interface{ stillWaits() bool }); ok && !m.core().done && w.stillWaits() {
			return true
		}
	}
	return false
}

func (m *eventually) stillWaits() bool { return true }
func (m *untilThen) stillWaits() bool  { return true }
func (m *after) stillWaits() bool      { return len(m.pending) > 0 }
func (m *answered) stillWaits() bool   { return len(m.waiting) > 0 }
func (m *count) stillWaits() bool      { return m.n < m.want.AtLeast }
