package trace

import (
	"math"
	"time"

	"sawhorse/bench/signal"
)

// Range is the least and the greatest value of a step; NaN where there was none.
type Range struct{ Min, Max float32 }

// series is one signal over time.
type series struct {
	info   signal.Info
	ranges []Range
	first  float64
	moved  bool
}

var nothing = Range{float32(math.NaN()), float32(math.NaN())}

func (s *series) put(i int, v float64) {
	if len(s.ranges) == 0 {
		s.first = v
	}
	s.moved = s.moved || v != s.first
	for len(s.ranges) <= i {
		s.ranges = append(s.ranges, nothing)
	}
	r, f := &s.ranges[i], float32(v)
	if !(f >= r.Min) {
		r.Min = f
	}
	if !(f <= r.Max) {
		r.Max = f
	}
}

func (s *series) fold() {
	n := (len(s.ranges) + 1) / 2
	for i := range n {
		r := s.ranges[2*i]
		if 2*i+1 < len(s.ranges) {
			r = join(r, s.ranges[2*i+1])
		}
		s.ranges[i] = r
	}
	s.ranges = s.ranges[:n]
}

func join(a, b Range) Range {
	if !(a.Min <= b.Min) && b.Min == b.Min {
		a.Min = b.Min
	}
	if !(a.Max >= b.Max) && b.Max == b.Max {
		a.Max = b.Max
	}
	return a
}

// Signal is one signal of a run over time.
type Signal struct {
	signal.Info
	// Width is the width of a step; Ranges has one entry a step.
	Width  time.Duration
	Ranges []Range
	// Moved is false for a signal that was the same throughout.
	Moved bool
}

// Signals lists the signals in the order of their table.
func (t *Trace) Signals() []Signal {
	list := make([]Signal, 0, len(t.signals))
	for i := range t.signals {
		s := &t.signals[i]
		list = append(list, Signal{s.info, t.step.width, s.ranges, s.moved})
	}
	return list
}

// Value is the value of a signal at a moment, as far as the steps tell: the middle of
// what it was in its step. It is false for a signal that is not there.
func (t *Trace) Value(name string, now time.Duration) (float64, bool) {
	for i := range t.signals {
		if s := &t.signals[i]; s.info.Name == name {
			x := Signal{s.info, t.step.width, s.ranges, s.moved}
			r, ok := x.At(now)
			return (float64(r.Min) + float64(r.Max)) / 2, ok
		}
	}
	return 0, false
}

// At is the value that a signal had at a moment, as far as the step tells.
func (s *Signal) At(now time.Duration) (Range, bool) {
	i := int(now / s.Width)
	if len(s.Ranges) == 0 || now < 0 {
		return nothing, false
	}
	r := s.Ranges[min(i, len(s.Ranges)-1)]
	return r, r.Min == r.Min
}
