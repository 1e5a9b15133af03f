package clock

import (
	"fmt"
	"time"
)

// Pacing says how a wall loop meets its deadlines. Each is absolute: a late event
// makes none after it late.
type Pacing struct {
	// Spin is how long before a deadline the loop stops sleeping and watches the
	// clock: a sleeping thread wakes about 0.1 ms late.
	Spin time.Duration
	// Realtime, if not 0, runs the loop's thread under SCHED_FIFO with this
	// priority (1 to 99). The loop still sleeps between events, or the kernel
	// would throttle it.
	Realtime int
}

// DefaultSpin costs a tenth of a core at a period of a millisecond.
const DefaultSpin = 100 * time.Microsecond

// maxSpin keeps a loop from never sleeping.
const maxSpin = time.Millisecond

// Pace sets how deadlines are met; call it before Run. In virtual time it does
// nothing.
func (l *Loop) Pace(p Pacing) error {
	switch {
	case p.Spin < 0 || p.Spin > maxSpin:
		return fmt.Errorf("spin %v, want 0 to %v", p.Spin, maxSpin)
	case p.Realtime < 0 || p.Realtime > 99:
		return fmt.Errorf("real-time priority %d, want 0 (none) to 99", p.Realtime)
	}
	if l.wall != nil {
		l.wall.pacing = p
	}
	return nil
}
