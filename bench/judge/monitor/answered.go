package monitor

import (
	"fmt"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
	"sawhorse/canbus/uds"
)

// Answered wants every request that matches to get its response, by service and,
// where known, by ECU, within the time. Response-pending (0x78) is no answer; from
// it Pending counts anew, if set.
type Answered struct {
	Request         *cel.Condition
	Within, Pending time.Duration
}

func (w Answered) conditions() []*cel.Condition { return []*cel.Condition{w.Request} }

func (w Answered) tasks() []string { return nil }

func (w Answered) onBus() bool { return true }

// answered watches Answered. The margin is the least time that was left, or, where
// a response was missed, how late it came at last.
type answered struct {
	base
	want    Answered
	waiting []question
	total   int
	missed  *question
}

// question is a request that waits for its response.
type question struct {
	asked    judge.Evidence
	service  int
	ecu      string
	from     time.Duration
	deadline time.Duration
}

func (w Answered) monitor(b base, _ *Options) monitor { return &answered{base: b, want: w} }

func (m *answered) step(s *step) {
	if s.o == nil {
		return
	}
	if m.done {
		m.late(s.o)
		return
	}
	m.expire(s.now)
	switch {
	case s.o.Kind == judge.Response:
		m.response(s.o)
	case s.o.Kind == judge.Request && !s.o.Suppressed() && m.judged(s) && m.holds(m.want.Request, s):
		m.total++
		if len(m.waiting) >= maxPending {
			m.decide(s.now, judge.Ours, fmt.Sprintf("more than %d requests wait", maxPending))
			return
		}
		ecu := s.o.ECU
		if s.o.Functional {
			ecu = ""
		}
		m.waiting = append(m.waiting, question{judge.EvidenceOf(s.o), s.o.Service, ecu, s.now, s.now + m.want.Within})
	}
	m.over(s.now)
}

// answers reports whether a response can belong to the question.
func (q *question) answers(o *judge.Observation) bool {
	return q.service == o.Service && (q.ecu == "" || o.ECU == "" || q.ecu == o.ECU)
}

// response serves the oldest request that it can belong to.
func (m *answered) response(o *judge.Observation) {
	for i := range m.waiting {
		q := &m.waiting[i]
		if !q.answers(o) {
			continue
		}
		if o.NRC == int(uds.ResponsePending) {
			if m.want.Pending > 0 {
				q.deadline = o.Time + m.want.Pending
			}
			return
		}
		if left := judge.TimeMargin(q.deadline - o.Time); !m.v.Margin.Known || left.Value < m.v.Margin.Value {
			m.v.Margin, m.v.Evidence = left, nil
			m.show(q.asked, judge.EvidenceOf(o))
		}
		m.waiting = append(m.waiting[:i], m.waiting[i+1:]...)
		return
	}
}

func (m *answered) tick(now time.Duration) {
	if m.done {
		return
	}
	m.expire(now)
	m.over(now)
}

// over ends the judging when its window is behind and nothing waits.
func (m *answered) over(now time.Duration) {
	if !m.done && m.exhausted(now) && len(m.waiting) == 0 {
		m.pass(now)
	}
}

func (m *answered) expire(now time.Duration) {
	for i := range m.waiting {
		if q := &m.waiting[i]; now > q.deadline {
			m.fail(now, q)
			return
		}
	}
}

func (m *answered) fail(now time.Duration, q *question) {
	m.v.Margin, m.v.Evidence = judge.Margin{}, nil
	m.missed = new(question)
	*m.missed = *q
	m.decide(now, judge.Fail, fmt.Sprintf("the request of service %02X at %s had no response by %s",
		q.service, judge.Seconds(q.from), judge.Seconds(q.deadline)), q.asked)
}

// late tells, after it was missed, when the response came at last.
func (m *answered) late(o *judge.Observation) {
	if q := m.missed; q != nil && o.Kind == judge.Response && o.NRC != int(uds.ResponsePending) && q.answers(o) {
		m.v.Margin = judge.TimeMargin(q.deadline - o.Time)
		m.show(judge.EvidenceOf(o))
		m.missed = nil
	}
}

func (m *answered) finish(now time.Duration) {
	for i := range m.waiting {
		if q := &m.waiting[i]; now >= q.deadline {
			m.fail(now, q) // the last moment has been seen
			return
		}
	}
	switch {
	case m.early(now, ""):
	case len(m.waiting) > 0:
		q := m.waiting[0]
		m.decide(now, judge.Undecided, fmt.Sprintf("the run ended at %s, the request at %s had until %s",
			judge.Seconds(now), judge.Seconds(q.from), judge.Seconds(q.deadline)), q.asked)
	default:
		m.pass(now)
	}
}

func (m *answered) pass(now time.Duration) {
	if m.total == 0 {
		m.nothing(now, fmt.Sprintf("%s never came", m.want.Request.Plain()))
		return
	}
	m.decide(now, judge.Pass, fmt.Sprintf("answered each of %d", m.total))
}

func (m *answered) stillWaits() bool { return len(m.waiting) > 0 }
