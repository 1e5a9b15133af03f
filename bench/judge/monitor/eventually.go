package monitor

import (
	"fmt"
	"math"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
)

// Eventually wants the condition to hold once, within the time from From (0: by
// the end), and to stay so For a time.
type Eventually struct {
	Hold        *cel.Condition
	Within, For time.Duration
}

func (w Eventually) conditions() []*cel.Condition { return []*cel.Condition{w.Hold} }

func (w Eventually) tasks() []string { return nil }

func (w Eventually) onBus() bool { return true }

// eventually watches Eventually. It passes at the first stay that is long enough
// and began in time. The margin is then the time left; without a bound in time, and
// where it failed, it is the greatest robustness of a stay, or else, where the
// condition has none, how late it came or by how much the longest stay was too
// short.
type eventually struct {
	base
	want     Eventually
	deadline time.Duration // 0: none but the end of the run
	stay     stay
	longest  time.Duration // of the stays that began in time; -1 for none
	late     time.Duration // when it came at last; 0 if it did not
	near     stays
}

func (w Eventually) monitor(b base, _ *Options) monitor {
	m := &eventually{base: b, want: w, deadline: b.exp.Until, longest: -1, near: stays{extreme: newGreatest(w.Hold), span: w.For}}
	if w.Within > 0 {
		m.deadline = b.exp.From + w.Within
	}
	return m
}

func (m *eventually) step(s *step) {
	if s.now < m.exp.From || !s.concerns(m.want.Hold) {
		return
	}
	judged := m.while == nil || m.holds(m.while, s)
	inTime := m.deadline == 0 || s.now <= m.deadline
	m.feed(s, judged, inTime)
	switch {
	case !m.done:
		m.look(s, judged && m.holds(m.want.Hold, s), inTime)
	case m.v.Outcome == judge.Fail && m.late == 0 && m.near.none && m.want.For == 0:
		if ok, err := m.want.Hold.Holds(s.scope); judged && err == nil && ok {
			m.late = s.now
			m.show(s.evidence(m.want.Hold.Plain() + " holds"))
		}
	}
}

// feed keeps the robustness, also after it was decided.
func (m *eventually) feed(s *step, judged, inTime bool) {
	if m.near.none || !inTime && len(m.near.starts) == 0 {
		return
	}
	r := math.Inf(-1)
	if judged {
		r = m.want.Hold.Distance(s.scope)
	}
	m.near.add(s.now, r, inTime)
}

func (m *eventually) look(s *step, holds, inTime bool) {
	if !holds {
		m.stay.ends()
		m.tick(s.now)
		return
	}
	m.stay.goesOn(s, m.want.Hold, inTime)
	if m.stay.on {
		m.longest = max(m.longest, s.now-m.stay.since)
	}
	if m.stay.lasted(s.now, m.want.For) {
		m.decide(s.now, judge.Pass, fmt.Sprintf("came at %s", judge.Seconds(m.stay.since)), m.stay.start)
	}
}

// tick fails once the deadline is behind and no stay that began in time is left.
func (m *eventually) tick(now time.Duration) {
	if !m.done && m.deadline > 0 && now > m.deadline && !m.stay.on {
		m.decide(now, judge.Fail, fmt.Sprintf("%s did not come by %s", m.phrase(), judge.Seconds(m.deadline)))
	}
}

func (m *eventually) phrase() string { return lasting(m.want.Hold, m.want.For) }

func (m *eventually) finish(now time.Duration) {
	switch {
	case m.stay.on:
		m.decide(now, judge.Undecided, fmt.Sprintf("the run ended at %s, when %s had held since %s, wanted for %v",
			judge.Seconds(now), m.want.Hold.Plain(), judge.Seconds(m.stay.since), m.want.For), m.stay.start)
	case m.deadline > now:
		m.decide(now, judge.Undecided, fmt.Sprintf("the run ended at %s, %s had until %s", judge.Seconds(now), m.phrase(), judge.Seconds(m.deadline)))
	default:
		m.decide(now, judge.Fail, m.phrase()+" did not come by the end of the run")
	}
}

func (m *eventually) close(time.Duration) {
	near := m.near.margin()
	switch {
	case m.v.Outcome == judge.Pass && m.deadline > 0:
		m.v.Margin = judge.TimeMargin(m.deadline - m.stay.since)
	case near.Known:
		m.v.Margin = near
		if m.v.Outcome == judge.Fail {
			m.v.Reason += fmt.Sprintf("; it came within %g %s", math.Round(-near.Value*1000)/1000, near.Unit)
		}
	case m.v.Outcome != judge.Fail:
	case m.longest >= 0:
		m.v.Margin = judge.TimeMargin(m.longest - m.want.For)
		m.v.Reason += fmt.Sprintf("; the longest was %v", m.longest)
	case m.late > 0:
		m.v.Margin = judge.TimeMargin(m.deadline - m.late)
	}
}

func (m *eventually) stillWaits() bool { return true }
