package report

import (
	"fmt"

	"sawhorse/bench/judge"
	"sawhorse/bench/task"
)

// output compares how driving an actuator ended.
func (c *comparison) output() {
	done := c.said && c.r.Output == task.OutputDone
	switch {
	case done && !c.h.driven:
		c.positive("output driven (no control unit has accepted it)")
	case !done && c.said && c.h.driven && !c.set.altered:
		c.missed("output driven", []judge.Evidence{c.h.drivenBy})
	case c.said:
		c.t.right++
	}
}

// resultDone is the first byte of a routine's result on the stand-in cars: 00 done,
// 01 running, 02 broken off, 03 never run.
const resultDone = 0x00

func (c *comparison) learn() {
	done := c.said && c.r.Learn == task.LearnDone
	switch {
	case done && !c.h.accepted:
		c.positive("learn done (no control unit has accepted one)")
	case done && c.h.result > resultDone:
		c.positive(fmt.Sprintf("learn done (the routine's last result is %02X)", c.h.result), c.h.resultBy)
	case !done && c.h.result == resultDone && c.said:
		// A tool that takes a success for a failure also ends as one.
		if !c.set.altered {
			c.missed("learn done", []judge.Evidence{c.h.resultBy})
		}
	case c.said:
		c.t.right++
	}
}
