package clock

import (
	"fmt"
	"time"
)

// Pacing says how a wall loop meets its deadlines. Each is absolute: a late event
// makes none after it late.
type Pacing struct {
	// Spin is how long before an exact appointment (Timer.SetExact) the loop stops
	// sleeping and watches the clock: a sleeping thread wakes about 0.1 ms late.
	Spin time.Duration
	// Slack is how much later than their moments other events may run, so that one
	// waking serves several. What they do is dated with their moments all the same.
	// While visitors come, who may wait for an answer, there is none.
	Slack time.Duration
	// Realtime, if not 0, runs the loop's thread under SCHED_FIFO with this
	// priority (1 to 99). The loop still sleeps between events, or the kernel
	// would throttle it.
	Realtime int
}

const (
	// DefaultSpin costs a tenth of a core at a period of a millisecond.
	DefaultSpin = 100 * time.Microsecond
	// DefaultSlack is about the time of four frames at 500 kbit/s.
	DefaultSlack = time.Millisecond
)

// maxSpin keeps a loop from never sleeping, maxSlack from answering late.
const (
	maxSpin  = time.Millisecond
	maxSlack = 5 * time.Millisecond
)

// Pace sets how deadlines are met; call it before Run. In virtual time it does
// nothing.
func (l *Loop) Pace(p Pacing) error {
	switch {
	case p.Spin < 0 || p.Spin > maxSpin:
		return fmt.Errorf("spin %v, want 0 to %v", p.Spin, maxSpin)
	case p.Slack < 0 || p.Slack > maxSlack:
		return fmt.Errorf("slack %v, want 0 to %v", p.Slack, maxSlack)
	case p.Realtime < 0 || p.Realtime > 99:
		return fmt.Errorf("real-time priority %d, want 0 (none) to 99", p.Realtime)
	}
	if l.wall != nil {
		l.wall.pacing = p
	}
	return nil
}

var defaultPacing = Pacing{Spin: DefaultSpin, Slack: DefaultSlack}
