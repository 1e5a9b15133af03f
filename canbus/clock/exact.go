package clock

import (
	"math"
	"time"
)

// SetExact is Set for an appointment whose moment somebody measures, such as a
// recorded frame's: in wall time the loop watches the clock for it and does not
// only sleep.
func (t *Timer) SetExact(at time.Duration) {
	t.Set(at)
	t.exact = true
}

// SetSlack has the timer run up to d late in wall time, instead of Pacing.Slack, if
// that lets the loop sleep. Events keep their order: it runs before the first one
// behind it, and before anything that comes from outside.
func (t *Timer) SetSlack(d time.Duration) { t.slack, t.slacks = d, true }

// Exact reports whether the running event was set with SetExact. Who hands on what
// came at an exact moment sets exact appointments of its own.
func (l *Loop) Exact() bool { return l.sharp }

// attentive is how long after a visitor the loop is as punctual as it can without
// watching the clock.
const attentive = 100 * time.Millisecond

// never is later than every event.
const never = time.Duration(math.MaxInt64)

// wakeAt is when the loop must be awake: for the first event but for the slack, and
// sharply, by watching the clock from there on, a little before the first exact one.
func (l *Loop) wakeAt() (at time.Duration, sharp bool) {
	at = never
	p := l.wall.pacing
	if l.visited > 0 && l.due-l.visited < attentive {
		p.Slack = 0
	}
	for i := range l.q.es {
		e := &l.q.es[i]
		t := l.q.timers[e.slot]
		bound := e.at + p.Slack
		switch {
		case t.exact:
			bound = e.at - p.Spin
		case t.slacks:
			bound = e.at + t.slack
		}
		if bound < e.at && !t.exact {
			bound = never // beyond the end of time
		}
		if bound < at {
			at, sharp = bound, t.exact
		}
	}
	return at, sharp
}
