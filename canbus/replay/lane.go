package replay

import (
	"errors"
	"fmt"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// lane is the replay's node on one bus, with the frames that are due there.
type lane struct {
	r        *Replay
	port     canbus.Port
	timer    *clock.Timer // asks again
	ring     [laneSize]waiting
	head, n  int
	busy     bool // a frame is with the port and not yet on the wire
	since    time.Duration
	jammed   bool // the replay waits for a place in the ring
	draining bool
}

type waiting struct {
	frame canbus.Frame
	due   time.Duration
}

// Receive does nothing: a recording does not listen.
func (l *lane) Receive(*canbus.Frame) {}

// Sent makes place for the next frame.
func (l *lane) Sent(*canbus.Frame) {
	l.r.stats.Confirmed++
	l.busy = false
	l.drain()
}

func (l *lane) push(f *canbus.Frame, due time.Duration) {
	w := &l.ring[(l.head+l.n)%laneSize]
	w.frame, w.due = *f, due
	l.n++
}

// drain hands frames to the port for as long as it is free.
func (l *lane) drain() {
	if l.draining || l.port == nil {
		return // a port that confirms within Send
	}
	l.draining = true
	for l.n > 0 && l.offer() {
	}
	l.draining = false
	if l.jammed && l.n < laneSize {
		l.jammed = false
		l.r.timer.Set(l.r.loop.Now())
	}
	if l.n == 0 && l.r.ended {
		l.r.finish()
	}
}

// offer gives the port the first waiting frame; false if it has to wait.
func (l *lane) offer() bool {
	r := l.r
	now := r.loop.Now()
	if l.waits() || r.over() {
		return false
	}
	w := &l.ring[l.head]
	w.frame.Time = now
	l.busy, l.since = true, now
	late := r.loop.Elapsed() - w.due // before Send, which on a socket takes its time
	err := l.port.Send(&w.frame)
	if err != nil {
		l.busy = false
	}
	switch {
	case err == nil:
		r.stats.Sent++
		r.late.Add(late)
		if r.opt.Late != nil {
			r.opt.Late(late)
		}
	case errors.Is(err, canbus.ErrQueueFull):
		r.stats.Full++
		l.timer.Set(now + retry)
		return false
	case errors.Is(err, canbus.ErrClosed):
		r.stats.Refused++
		r.err = fmt.Errorf("replay: %w", err)
		r.Stop()
		return false
	default:
		r.stats.Refused++
		if r.refuse == nil {
			r.refuse = fmt.Errorf("replay: frame %s: %w", w.frame.Key(), err)
		}
	}
	l.head = (l.head + 1) % laneSize
	l.n--
	return true
}

// waits reports whether a frame is still expected to reach the wire, and has
// the lane look again when patience ends.
func (l *lane) waits() bool {
	if l.busy && l.r.loop.Now() >= l.since+patience {
		l.busy = false
	}
	if l.busy && !l.timer.Active() {
		l.timer.Set(l.since + patience) // one appointment for many frames
	}
	return l.busy
}
