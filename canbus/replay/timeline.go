package replay

import (
	"math"
	"time"
)

// timeline turns the times of a recording into moments of the loop.
type timeline struct {
	speed float64
	from  time.Duration
	gap   time.Duration // from pass to pass; 0: not known yet

	begun bool
	first time.Duration // what offset 0 of the recording is
	last  time.Duration // the latest time seen
	pos   time.Duration // its offset

	entered bool          // a frame of the part was seen in this pass
	head    time.Duration // offset of the part's first frame in this pass
	tail    time.Duration // of its last
	count   int64
	shift   time.Duration // what the passes before take
	joined  bool          // this is a later pass
}

// see takes the next frame's time and gives its offset in the recording; back
// says that time went back.
func (l *timeline) see(t time.Duration) (pos time.Duration, back bool) {
	if !l.begun {
		l.begun, l.first, l.last = true, t, t
	}
	if t < l.last {
		back = true
		if l.last-t > stepBack {
			// A new beginning: this frame stands where the last one stood.
			l.first, l.last = t-l.pos, t
		}
	} else {
		l.last = t
	}
	l.pos = max(l.pos, t-l.first)
	return l.pos, back
}

// enter notes that the offset belongs to the part that is played.
func (l *timeline) enter(pos time.Duration) {
	if !l.entered {
		l.entered, l.head = true, pos
		if l.joined {
			// The first frame of a later pass follows the join gap exactly.
			l.shift -= pos - l.from
		}
	}
	l.tail = pos
	l.count++
}

// due is the moment of the frame entered last.
func (l *timeline) due(start time.Duration) time.Duration {
	at := l.tail - l.from + l.shift
	if l.speed == 1 {
		return start + at
	}
	scaled := float64(at) / l.speed
	if scaled >= math.MaxInt64/2 {
		return math.MaxInt64 / 2 // slower than any run is long
	}
	return start + time.Duration(scaled)
}

// join ends a pass.
func (l *timeline) join() {
	if l.gap == 0 && l.count > 1 {
		l.gap = (l.tail - l.head) / time.Duration(l.count-1)
	}
	l.shift += l.tail - l.from + l.gap
	l.joined, l.begun, l.entered, l.pos, l.count = true, false, false, 0, 0
}
