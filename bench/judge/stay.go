package judge

import (
	"fmt"
	"time"
)

// stay is a condition that goes on holding. It has lasted from the first look at
// which it held to the last: what lies between two looks is not assumed.
type stay struct {
	on    bool
	since time.Duration
	start Evidence
}

// goesOn takes in a look at which the condition holds; may says whether a stay may
// still begin.
func (y *stay) goesOn(s *step, c *Condition, may bool) {
	if !y.on && may {
		*y = stay{true, s.now, s.evidence(c.src + " holds")}
	}
}

func (y *stay) ends() { y.on = false }

func (y *stay) lasted(now, span time.Duration) bool { return y.on && now-y.since >= span }

// lasting is a condition and how long it is to hold, in words.
func lasting(c *Condition, span time.Duration) string {
	if span > 0 {
		return fmt.Sprintf("%s for %v", c.src, span)
	}
	return c.src
}
