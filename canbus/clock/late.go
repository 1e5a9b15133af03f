package clock

import "time"

// Late is a stretch of a run in wall time in which the loop did not keep up: what was
// to happen between From and To happened up to By after its moment, allowed slack not
// counted. It is what a judge needs to know of a busy or stopped machine.
type Late struct{ From, To, By time.Duration }

// LateFrom is from when on lateness is noted: no machine with work to do keeps a
// general-purpose system from being a little late.
const LateFrom = 5 * time.Millisecond

// maxLate bounds the stretches kept; those that are nearest become one beyond it.
const maxLate = 1024

// Late lists the stretches in which the loop was late, in order and apart; none in
// virtual time. Call it from the loop, or when it has ended.
func (l *Loop) Late() []Late { return l.lates }

// WasLate notes that what happens now came late by that much, for whoever knows the
// true moment of what came from outside: a frame's time stamp, a tool that had to
// wait for a processor. In virtual time it does nothing.
func (l *Loop) WasLate(by time.Duration) {
	if l.wall != nil {
		now := l.wall.elapsed()
		l.noteLate(now-by, now)
	}
}

// noteLate adds a stretch: what was due at from happens at to.
func (l *Loop) noteLate(from, to time.Duration) {
	by := to - from
	if by < LateFrom {
		return
	}
	add := Late{From: max(0, from), To: to, By: by}
	// Stretches end in the order in which they are noted, but a later one may begin
	// before those that it takes in.
	n := len(l.lates)
	for n > 0 && l.lates[n-1].To >= add.From {
		n--
		add.From, add.By = min(add.From, l.lates[n].From), max(add.By, l.lates[n].By)
	}
	l.lates = append(l.lates[:n], add)
	if len(l.lates) > maxLate {
		l.joinNearest()
	}
}

// joinNearest makes one of the two stretches that are nearest to each other.
func (l *Loop) joinNearest() {
	at := 1
	for i := 2; i < len(l.lates); i++ {
		if l.lates[i].From-l.lates[i-1].To < l.lates[at].From-l.lates[at-1].To {
			at = i
		}
	}
	a, b := &l.lates[at-1], &l.lates[at]
	a.To, a.By = b.To, max(a.By, b.By)
	l.lates = append(l.lates[:at], l.lates[at+1:]...)
}
