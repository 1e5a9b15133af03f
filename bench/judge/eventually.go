package judge

import (
	"fmt"
	"math"
	"time"
)

// eventually watches Eventually. It passes at the first stay that is long enough
// and began in time; the margin is then the time left. When it fails, the margin
// is how near the condition came: its greatest robustness, where it has one.
type eventually struct {
	base
	want     Eventually
	deadline time.Duration // 0: none but the end of the run
	since    time.Duration
	start    Evidence
	holding  bool
	best     Margin
}

func (w Eventually) monitor(b base, _ *Options) monitor {
	m := &eventually{base: b, want: w, deadline: b.exp.Until}
	if w.Within > 0 {
		m.deadline = b.exp.From + w.Within
	}
	return m
}

func (m *eventually) step(s *step) {
	if m.done || s.now < m.exp.From || !s.concerns(m.want.Hold) {
		return
	}
	if m.while != nil && !m.holds(m.while, s) {
		m.holding = false
		return
	}
	late := m.deadline > 0 && s.now > m.deadline
	if r, unit, ok := m.want.Hold.Robustness(s.scope); ok && !late && (!m.best.Known || r > m.best.Value) {
		m.best = Margin{r, unit, true}
	}
	if !m.holds(m.want.Hold, s) {
		m.holding = false
		m.expire(s.now)
		return
	}
	if !m.holding && !late {
		m.holding, m.since, m.start = true, s.now, s.evidence(m.want.Hold.src+" holds")
	}
	if m.holding && s.now-m.since >= m.want.For {
		if m.deadline > 0 {
			m.worst(timeMargin(m.deadline - m.since))
		}
		m.decide(s.now, Pass, fmt.Sprintf("came at %s", seconds(m.since)), m.start)
	}
}

func (m *eventually) tick(now time.Duration) { m.expire(now) }

// expire fails once the deadline is behind and no stay that began in time is left.
func (m *eventually) expire(now time.Duration) {
	if m.done || m.deadline == 0 || now <= m.deadline || m.holding {
		return
	}
	m.fail(now, fmt.Sprintf("%s did not come by %s", m.phrase(), seconds(m.deadline)))
}

func (m *eventually) fail(now time.Duration, reason string) {
	if m.best.Known && m.best.Value < 0 {
		m.v.Margin = m.best
		reason += fmt.Sprintf("; it came within %g %s", math.Round(-m.best.Value*1000)/1000, m.best.Unit)
	}
	m.decide(now, Fail, reason)
}

func (m *eventually) phrase() string {
	if m.want.For > 0 {
		return fmt.Sprintf("%s for %v", m.want.Hold.src, m.want.For)
	}
	return m.want.Hold.src
}

func (m *eventually) finish(now time.Duration) {
	switch {
	case m.holding:
		m.decide(now, Undecided, fmt.Sprintf("the run ended at %s, when %s had held since %s, wanted for %v",
			seconds(now), m.want.Hold.src, seconds(m.since), m.want.For), m.start)
	case m.deadline > now:
		m.decide(now, Undecided, fmt.Sprintf("the run ended at %s, %s had until %s", seconds(now), m.phrase(), seconds(m.deadline)))
	default:
		m.fail(now, m.phrase()+" did not come by the end of the run")
	}
}

// untilThen watches UntilThen. The value margin is that of the robust until: the
// greatest, over the moments, of the lesser of Then's robustness there and Hold's
// least before.
type untilThen struct {
	base
	want     UntilThen
	deadline time.Duration
	held     float64 // least robustness of Hold so far
	best     float64
	unit     string
	valued   bool // both conditions have a robustness, in one unit
	looked   bool
}

func (w UntilThen) monitor(b base, _ *Options) monitor {
	m := &untilThen{base: b, want: w, deadline: b.exp.Until, held: math.Inf(1), best: math.Inf(-1)}
	if w.Within > 0 {
		m.deadline = b.exp.From + w.Within
	}
	m.valued = w.Hold.rob != nil && w.Then.rob != nil && w.Hold.unit == w.Then.unit
	m.unit = w.Hold.unit
	return m
}

func (m *untilThen) step(s *step) {
	if m.done || s.now < m.exp.From {
		return
	}
	looked := s.concerns(m.want.Hold) || s.concerns(m.want.Then)
	if !looked || m.deadline > 0 && s.now > m.deadline {
		return
	}
	m.looked = true
	m.robust(s)
	if s.concerns(m.want.Then) && m.holds(m.want.Then, s) {
		if m.valued {
			m.v.Margin = m.margin()
		} else if m.deadline > 0 {
			m.worst(timeMargin(m.deadline - s.now))
		}
		m.decide(s.now, Pass, fmt.Sprintf("%s held until %s came at %s", m.want.Hold.src, m.want.Then.src, seconds(s.now)),
			s.evidence(m.want.Then.src+" holds"))
		return
	}
	if s.concerns(m.want.Hold) && !m.holds(m.want.Hold, s) {
		m.v.Margin = m.margin()
		m.decide(s.now, Fail, fmt.Sprintf("%s ended at %s, before %s came", m.want.Hold.src, seconds(s.now), m.want.Then.src),
			s.evidence(m.want.Hold.src+" does not hold"))
	}
}

func (m *untilThen) robust(s *step) {
	if !m.valued || !s.state {
		return
	}
	m.best = math.Max(m.best, math.Min(m.want.Then.rob(s.scope), m.held))
	m.held = math.Min(m.held, m.want.Hold.rob(s.scope))
}

func (m *untilThen) margin() Margin {
	return Margin{m.best, m.unit, m.valued && !math.IsInf(m.best, 0) && !math.IsNaN(m.best)}
}

func (m *untilThen) tick(now time.Duration) {
	if !m.done && m.deadline > 0 && now > m.deadline {
		m.v.Margin = m.margin()
		m.decide(now, Fail, fmt.Sprintf("%s did not come by %s", m.want.Then.src, seconds(m.deadline)))
	}
}

func (m *untilThen) finish(now time.Duration) {
	switch {
	case m.deadline > now:
		m.decide(now, Undecided, fmt.Sprintf("the run ended at %s, %s had until %s", seconds(now), m.want.Then.src, seconds(m.deadline)))
	case !m.looked:
		m.decide(now, Undecided, "nothing was seen from "+seconds(m.exp.From)+" on")
	default:
		m.v.Margin = m.margin()
		m.decide(now, Fail, m.want.Then.src+" did not come by the end of the run")
	}
}
