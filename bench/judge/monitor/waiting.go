package monitor

// Waiting reports whether an undecided expectation waits for something to happen:
// something that must come eventually, the answer to a question, what must follow
// an event, the end of a window. One that only wants nothing bad to happen, at any
// time, does not wait: the run may end for its sake.
func (j *Judge) Waiting() bool {
	for _, m := range j.monitors {
		b := m.core()
		if b.done {
			continue
		}
		if b.exp.From > j.now || b.exp.Until > j.now {
			return true
		}
		if w, ok := m.(interface{ stillWaits() bool }); ok && w.stillWaits() {
			return true
		}
	}
	return false
}
