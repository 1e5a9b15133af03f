package dtc

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

// Mark is one of the codes that service 19 asks for by what came first or last.
type Mark int

// The marks there are.
const (
	FirstFailed Mark = iota
	FirstConfirmed
	LastFailed
	LastConfirmed
)

// Marked is the code with a mark; false for none.
func (m *Memory) Marked(k Mark) (Entry, bool) {
	i := map[Mark]int{FirstFailed: m.marks.firstFailed, FirstConfirmed: m.marks.firstConfirmed,
		LastFailed: m.marks.lastFailed, LastConfirmed: m.marks.lastConfirmed}[k]
	if i < 0 {
		return Entry{}, false
	}
	return m.entry(i), true
}
