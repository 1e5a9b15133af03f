package monitor

import (
	"math"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
)

// extreme is the least or the greatest of a robustness over the moments judged. It
// is no distance while it is infinite, as of a truth value, or once it could not be
// told.
type extreme struct {
	value float64
	unit  string
	none  bool // no robustness, or one that was no number
}

func newLeast(c *cel.Condition) extreme {
	return extreme{value: math.Inf(1), unit: c.Unit(), none: !c.Measured()}
}

func newGreatest(c *cel.Condition) extreme {
	return extreme{value: math.Inf(-1), unit: c.Unit(), none: !c.Measured()}
}

func (x *extreme) least(v float64) {
	x.none = x.none || math.IsNaN(v)
	x.value = math.Min(x.value, v)
}

func (x *extreme) greatest(v float64) {
	x.none = x.none || math.IsNaN(v)
	x.value = math.Max(x.value, v)
}

func (x *extreme) margin() judge.Margin {
	if x.none || math.IsInf(x.value, 0) {
		return judge.Margin{}
	}
	return judge.Margin{Value: x.value, Unit: x.unit, Known: true}
}

// stays is the robustness of "eventually, for a time" (Donze and Maler 2010,
// definition 3): the greatest, over the moments at which a stay could begin, of the
// least from there to the first moment that is the time away. It costs one step for
// each look, whatever the time is.
type stays struct {
	extreme
	span   time.Duration
	n      int
	starts []look // whose stay is not over
	lows   []look // rising: what can still be a least
}

type look struct {
	n  int
	at time.Duration
	v  float64
}

// add takes in one moment; begins says whether a stay can begin there.
func (s *stays) add(at time.Duration, v float64, begins bool) {
	s.none = s.none || math.IsNaN(v)
	l := look{s.n, at, v}
	s.n++
	for len(s.lows) > 0 && s.lows[len(s.lows)-1].v >= v {
		s.lows = s.lows[:len(s.lows)-1]
	}
	s.lows = append(s.lows, l)
	if begins {
		s.starts = append(s.starts, l)
	}
	for len(s.starts) > 0 && at-s.starts[0].at >= s.span {
		for s.lows[0].n < s.starts[0].n {
			s.lows = s.lows[1:]
		}
		s.greatest(s.lows[0].v)
		s.starts = s.starts[1:]
	}
	if len(s.starts) == 0 {
		s.lows = s.lows[:0]
	}
}
