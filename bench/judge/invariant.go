package judge

import (
	"fmt"
	"time"
)

// invariant watches Always and Never: the first moment at which the condition is
// not as wanted decides. Its margin is the least robustness over the window (Donze
// and Maler 2010, definition 3, always), also after it was decided.
type invariant struct {
	base
	cond *Condition
	want bool
	seen int
}

func (w Always) monitor(b base, _ *Options) monitor {
	return &invariant{base: b, cond: w.Hold, want: true}
}

func (w Never) monitor(b base, _ *Options) monitor {
	return &invariant{base: b, cond: w.Hold}
}

func (m *invariant) step(s *step) {
	if !s.concerns(m.cond) || !m.judged(s) {
		return
	}
	m.seen++
	if r, unit, ok := m.cond.Robustness(s.scope); ok {
		if !m.want {
			r = -r
		}
		m.worst(Margin{r, unit, true})
	}
	if m.done || m.holds(m.cond, s) == m.want {
		return
	}
	what := "held"
	if m.want {
		what = "did not hold"
	}
	m.decide(s.now, Fail, fmt.Sprintf("%s %s at %s", m.cond.src, what, seconds(s.now)),
		s.evidence(m.cond.src+" "+what))
}

func (m *invariant) tick(now time.Duration) {
	if !m.done && m.exhausted(now) {
		m.pass(now)
	}
}

func (m *invariant) finish(now time.Duration) {
	if m.exp.Until > now {
		m.decide(now, Undecided, fmt.Sprintf("the run ended at %s, %s", seconds(now), m.wanted()))
		return
	}
	m.pass(now)
}

func (m *invariant) pass(now time.Duration) {
	switch {
	case m.seen == 0 && m.while != nil:
		m.nothing(now, fmt.Sprintf("%s never came", m.while.src))
	case m.seen == 0:
		m.nothing(now, "nothing of the kind was seen")
	case m.want:
		m.decide(now, Pass, "held throughout")
	default:
		m.decide(now, Pass, "never came")
	}
}
