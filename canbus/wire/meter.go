package wire

import "time"

// windowSteps is how many marks the sliding window has.
const windowSteps = 64

// meter counts the time the wire was occupied, exactly, and its share of a
// sliding window, exact but for the window's oldest step.
type meter struct {
	step  time.Duration
	done  time.Duration // occupied before start
	start time.Duration // last occupation, [start, free)
	free  time.Duration
	marks [windowSteps + 1]time.Duration // the count at multiples of step
	next  int64                          // multiple to be marked next
}

func newMeter(window time.Duration) meter { return meter{step: window / windowSteps} }

// at is the time occupied up to t, which is not before start.
func (m *meter) at(t time.Duration) time.Duration {
	return m.done + max(min(t, m.free)-m.start, 0)
}

// roll marks what has passed up to t.
func (m *meter) roll(t time.Duration) {
	now := int64(t / m.step)
	if now < m.next {
		return
	}
	m.next = max(m.next, now-windowSteps)
	for ; m.next <= now; m.next++ {
		m.marks[m.next%(windowSteps+1)] = m.at(time.Duration(m.next) * m.step)
	}
}

// occupy begins an occupation at start that ends at free.
func (m *meter) occupy(start, free time.Duration) {
	m.roll(start)
	m.done += m.free - m.start
	m.start, m.free = start, free
}

// release moves the end of the occupation.
func (m *meter) release(free time.Duration) { m.free = max(free, m.start) }

// load is the occupied share of the window that ends at t, 0 to 1; early in a run
// of the time so far.
func (m *meter) load(t time.Duration) float64 {
	m.roll(t)
	window := m.step * windowSteps
	if t < window {
		if t <= 0 {
			return 0
		}
		return float64(m.at(t)) / float64(t)
	}
	from := t - window
	i := int64(from / m.step)
	a, b := m.marks[i%(windowSteps+1)], m.marks[(i+1)%(windowSteps+1)]
	part := float64(from%m.step) / float64(m.step)
	return (float64(m.at(t)) - float64(a) - float64(part*float64(b-a))) / float64(window)
}
