package hub

import "time"

// A bus takes a burst of clients, and from there on one in each turn: whoever connects
// and leaves without pause would else keep it busy with nothing else.
const (
	burst = 32
	turn  = 10 * time.Millisecond
)

// turnstile spreads those who come. The zero value has let nobody in.
type turnstile struct {
	last time.Time
	debt time.Duration // turns that are taken and not over
}

// enter lets one more in and says how long it has to wait first.
func (t *turnstile) enter(now time.Time) time.Duration {
	if !t.last.IsZero() {
		t.debt = max(0, t.debt-now.Sub(t.last))
	}
	t.last = now
	t.debt += turn
	return max(0, t.debt-burst*turn)
}
