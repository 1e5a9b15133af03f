package report

import (
	"fmt"
	"math"

	"sawhorse/bench/judge"
)

// tolerance is how far a value may be from an answer: half its resolution, and what
// is lost when a tool rounds for display (half a percent, common practice).
func tolerance(i *item) float64 { return float64(0.51*i.step) + float64(0.005*math.Abs(i.value)) }

// live compares with all answers of the task: each is as good as another, and how old
// it may be is the task's length.
func (c *comparison) live() { c.values(c.r.Live, c.h.live, "") }

// values compares what is said with what was answered; of says whose values they are.
func (c *comparison) values(said []judge.Live, answered []item, of string) {
	for _, l := range said {
		if !named(l.Name) {
			continue
		}
		near, found := item{}, false
		for _, i := range answered {
			if i.text == l.Name && (!found || math.Abs(i.value-l.Value) < math.Abs(near.value-l.Value)) {
				near, found = i, true
			}
		}
		switch {
		case found && math.Abs(near.value-l.Value) <= tolerance(&near):
			c.t.right++
		case c.set.falsified || !found && (c.h.other || c.set.altered):
		case found: // also where another answer was lost: this one was whole
			c.t.held = true
			c.positive(fmt.Sprintf("%s%s %.6g (answered was %.6g)", of, l.Name, l.Value, near.value), near.by)
		default:
			c.positive(fmt.Sprintf("%s%s %.6g (nobody was asked)", of, l.Name, l.Value))
		}
	}
}

// freeze compares the codes that froze a frame, and the values in it.
func (c *comparison) freeze() {
	c.codes()
	for i := range c.r.Freeze {
		c.values(c.r.Freeze[i].Values, c.h.frozen, "freeze frame ")
	}
}
