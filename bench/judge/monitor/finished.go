package monitor

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
)

// Finished wants the task to end with one of the statuses, within the time (0: its
// own limit). Nth counts the task's runs from 1; 0 means each.
type Finished struct {
	Task     string
	Nth      int
	Statuses []string
	Within   time.Duration
}

func (w Finished) conditions() []*cel.Condition { return nil }

func (w Finished) tasks() []string { return []string{w.Task} }

func (w Finished) onBus() bool { return false }

// finished watches Finished. The margin is the time left.
type finished struct {
	base
	want    Finished
	started time.Duration
	running bool
	run     int
	judgedN int
	slow    bool // it ran over its time, and still runs
}

func (w Finished) monitor(b base, _ *Options) monitor { return &finished{base: b, want: w} }

func (m *finished) step(s *step) {
	if s.o == nil || s.o.Task != m.want.Task {
		return
	}
	if m.done {
		m.late(s.o)
		return
	}
	switch s.o.Kind {
	case judge.TaskStart:
		m.run++
		m.started, m.running = s.now, true
	case judge.TaskEnd:
		m.running = false
		if m.mine() {
			m.judgedN++
			m.end(s.o)
		}
	}
}

func (m *finished) mine() bool { return m.want.Nth == 0 || m.want.Nth == m.run }

func (m *finished) end(o *judge.Observation) {
	took := o.Time - m.started
	ev := judge.EvidenceOf(o)
	wanted := slices.Contains(m.want.Statuses, o.Status)
	if !wanted {
		m.v.Margin, m.v.Evidence = judge.Margin{}, nil // of runs before that were in time
	}
	switch {
	case !wanted && o.Status == judge.StatusTimeout:
		m.v.Cause = judge.Hung
		m.decide(o.Time, judge.Fail, fmt.Sprintf("the tool had not ended after %s and was stopped", judge.Seconds(took)), ev)
		return
	case !wanted && o.Status == judge.StatusCrashed:
		m.v.Cause = judge.Crashed
		m.decide(o.Time, judge.Fail, fmt.Sprintf("the tool crashed after %s: %s", judge.Seconds(took), o.Text), ev)
		return
	case !wanted:
		m.decide(o.Time, judge.Fail, fmt.Sprintf("ended as %q, wanted %s", o.Status, strings.Join(m.want.Statuses, " or ")), ev)
		return
	}
	if m.want.Within > 0 {
		m.worst(judge.TimeMargin(m.want.Within - took))
		if took > m.want.Within {
			m.v.Margin = judge.TimeMargin(m.want.Within - took)
			m.decide(o.Time, judge.Fail, fmt.Sprintf("took %s, allowed is %v", judge.Seconds(took), m.want.Within), ev)
			return
		}
	}
	m.show(ev)
	if m.want.Nth > 0 {
		m.decide(o.Time, judge.Pass, fmt.Sprintf("ended as %q after %s", o.Status, judge.Seconds(took)))
	}
}

// late tells, after a task ran over its time, when and how it ended.
func (m *finished) late(o *judge.Observation) {
	if !m.slow || o.Kind != judge.TaskEnd {
		return
	}
	m.slow = false
	m.v.Margin = judge.TimeMargin(m.want.Within - (o.Time - m.started))
	switch o.Status {
	case judge.StatusTimeout:
		m.v.Cause = judge.Hung
	case judge.StatusCrashed:
		m.v.Cause = judge.Crashed
	}
	m.show(judge.EvidenceOf(o))
}

// tick fails a task that runs over its time without waiting for its end.
func (m *finished) tick(now time.Duration) {
	if m.done || !m.running || !m.mine() || m.want.Within == 0 || now-m.started <= m.want.Within {
		return
	}
	m.v.Margin, m.slow = judge.Margin{}, true
	m.decide(now, judge.Fail, fmt.Sprintf("still running after %v", m.want.Within), judge.Evidence{Time: m.started, Text: "task " + m.want.Task + " starts"})
}

func (m *finished) finish(now time.Duration) {
	switch {
	case m.judgedN > 0 && !m.running:
		m.decide(now, judge.Pass, fmt.Sprintf("ended in time %d times", m.judgedN))
	case m.running:
		m.decide(now, judge.Undecided, fmt.Sprintf("the run ended at %s while task %q was running", judge.Seconds(now), m.want.Task))
	case m.run == 0:
		m.decide(now, judge.Undecided, fmt.Sprintf("task %q never started", m.want.Task))
	default:
		m.decide(now, judge.Undecided, fmt.Sprintf("task %q ran %d times, wanted was number %d", m.want.Task, m.run, m.want.Nth))
	}
}
