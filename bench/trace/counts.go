package trace

import (
	"time"

	"sawhorse/bench/judge"
	"sawhorse/canbus/uds"
)

// Lane is what is counted over time.
type Lane uint8

// The lanes: frames by sender and state, diagnostic messages, lines of the tool.
const (
	CarFrames Lane = iota // frames of the bench's own nodes
	ToolFrames
	Altered // frames that a fault has changed, delayed or held back
	Errors  // error reports of a controller
	Requests
	Positive
	Negative
	Lines
	Lanes
)

var laneNames = [Lanes]string{
	CarFrames:  "car-frames",
	ToolFrames: "tool-frames",
	Altered:    "altered-frames",
	Errors:     "error-reports",
	Requests:   "requests",
	Positive:   "positive",
	Negative:   "negative",
	Lines:      "lines",
}

// String is the lane's name in files.
func (l Lane) String() string {
	if l < Lanes {
		return laneNames[l]
	}
	return "unknown"
}

const (
	firstCount  = 10 * time.Millisecond
	firstSample = 20 * time.Millisecond
)

// step is the width of the steps of time, which doubles so that MaxSteps are
// enough.
type step struct{ width time.Duration }

// at is the step of a moment; fold halves what is there each time the width
// doubles.
func (s *step) at(now time.Duration, fold func()) int {
	for now/s.width >= MaxSteps {
		s.width *= 2
		fold()
	}
	return int(max(0, now) / s.width)
}

type counts struct {
	step  step
	lanes [Lanes][]uint32
}

func newCounts() counts { return counts{step: step{width: firstCount}} }

func (c *counts) add(l Lane, at time.Duration) {
	i := c.step.at(at, c.fold)
	for len(c.lanes[l]) <= i {
		c.lanes[l] = append(c.lanes[l], 0)
	}
	c.lanes[l][i]++
}

func (c *counts) fold() {
	for l, list := range c.lanes {
		n := (len(list) + 1) / 2
		for i := range n {
			sum := list[2*i]
			if 2*i+1 < len(list) {
				sum += list[2*i+1]
			}
			list[i] = sum
		}
		c.lanes[l] = list[:n]
	}
}

func (c *counts) message(o *judge.Observation) {
	switch {
	case o.Kind == judge.Request:
		c.add(Requests, o.Time)
	case o.Positive || o.NRC == int(uds.ResponsePending):
		c.add(Positive, o.Time)
	default:
		c.add(Negative, o.Time)
	}
}

// Counts are the numbers of a lane, one a step, and the step's width. Steps at the
// end in which nothing was are missing.
func (t *Trace) Counts(l Lane) ([]uint32, time.Duration) {
	return t.counts.lanes[l], t.counts.step.width
}
