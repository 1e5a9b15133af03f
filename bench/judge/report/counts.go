package report

import (
	"fmt"
	"slices"
)

// count01 compares the number of codes of all units with that of PID 01.
func (c *comparison) count01() {
	if !c.said || len(c.h.counts) == 0 {
		return // it may be known from a task before, and need not be told
	}
	n := 0
	// any order: a sum of whole numbers
	for _, x := range c.h.counts {
		n += x
	}
	if n == c.r.Count {
		c.t.right++
		return
	}
	c.positive(fmt.Sprintf("%d codes (answered was %d)", c.r.Count, n), c.h.lampBy)
}

// calibrations compares the ids of all units. Who reads none need not have asked.
func (c *comparison) calibrations() {
	rest := slices.Clone(c.h.calibrations)
	for _, id := range c.r.Calibrations {
		i := slices.IndexFunc(rest, func(x item) bool { return x.text == id })
		if i < 0 {
			c.positive("calibration " + id)
			continue
		}
		c.t.right++
		rest = slices.Delete(rest, i, i+1)
	}
	for i := range c.r.Units {
		u := &c.r.Units[i]
		c.placed(u, u.Calibrations, c.h.calibrations, "calibration")
	}
	for i := range rest {
		if c.said {
			c.negative("calibration "+rest[i].text, rest[i].by)
		}
	}
}
