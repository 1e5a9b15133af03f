package monitor

import (
	"fmt"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
)

// stay is a condition that goes on holding. It has lasted from the first look at
// which it held to the last: what lies between two looks is not assumed.
type stay struct {
	on    bool
	since time.Duration
	start judge.Evidence
}

// goesOn takes in a look at which the condition holds; may says whether a stay may
// still begin.
func (y *stay) goesOn(s *step, c *cel.Condition, may bool) {
	if !y.on && may {
		*y = stay{true, s.now, s.evidence(c.Plain() + " holds")}
	}
}

func (y *stay) ends() { y.on = false }

func (y *stay) lasted(now, span time.Duration) bool { return y.on && now-y.since >= span }

// lasting is a condition and how long it is to hold, in words.
func lasting(c *cel.Condition, span time.Duration) string {
	if span > 0 {
		return fmt.Sprintf("%s for %v", c.Plain(), span)
	}
	return c.Plain()
}
