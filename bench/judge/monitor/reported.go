package monitor

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
	"sawhorse/bench/judge/report"
	"sawhorse/bench/signal"
)

// Reported compares what the tool said at the end of a task with what was true.
// Nth counts the task's runs from 1; 0 means each. With OrSilent a tool may report
// nothing of a field, and a task without an end has nothing to judge: what counts is
// that nothing wrong was said.
type Reported struct {
	Task     string
	Nth      int
	OrSilent bool
	// Known says that all of it can be read, so that "not known" is no answer.
	Known  bool
	Checks []report.Check
}

func (w Reported) conditions() []*cel.Condition { return nil }

func (w Reported) tasks() []string { return []string{w.Task} }

func (w Reported) onBus() bool { return false }

// reported watches Reported. The margin is the tightest of the live values, or
// minus the number of entries that were wrong.
type reported struct {
	base
	want    Reported
	opt     *Options
	history []history // of the signals that are compared
	started time.Duration
	run     int
	judgedN int
	hearing report.Hearing
	share   float64 // of the margin kept
}

// history is the truth of one signal at the samples of the running task.
type history struct {
	name   string
	ref    signal.Ref
	ok     bool
	times  []time.Duration
	values []float64
}

func (w Reported) monitor(b base, o *Options) monitor {
	m := &reported{base: b, want: w, opt: o}
	for _, c := range w.Checks {
		if c.Signal != "" && !slices.ContainsFunc(m.history, func(h history) bool { return h.name == c.Signal }) {
			h := history{name: c.Signal}
			h.ref, h.ok = o.Truth.Lookup(c.Signal)
			m.history = append(m.history, h)
		}
	}
	return m
}

func (m *reported) step(s *step) {
	if m.done {
		return
	}
	if s.o == nil || s.o.Kind.ChangesState() {
		m.record(s.now)
	}
	if s.o != nil && (s.o.Kind != judge.TaskStart || s.o.Task == m.want.Task) {
		m.hearing.Observe(s.o)
	}
	if s.o == nil || s.o.Task != m.want.Task {
		return
	}
	switch s.o.Kind {
	case judge.TaskStart:
		m.run++
		m.started = s.now
		for i := range m.history {
			// Ages count within the task, so older truth can go.
			m.history[i].times, m.history[i].values = m.history[i].times[:0], m.history[i].values[:0]
		}
		m.record(s.now)
	case judge.TaskEnd:
		if m.want.Nth == 0 || m.want.Nth == m.run {
			m.compare(s.o)
		}
	}
}

func (m *reported) record(now time.Duration) {
	for i := range m.history {
		if h := &m.history[i]; h.ok {
			h.times = append(h.times, now)
			h.values = append(h.values, m.opt.Truth.Get(h.ref))
		}
	}
}

func (m *reported) compare(o *judge.Observation) {
	m.judgedN++
	if m.ended(o) {
		return
	}
	r := o.Report
	if r == nil && m.want.OrSilent {
		r = new(judge.Report) // it may have died before it could say anything
	}
	if r == nil {
		m.decide(o.Time, judge.NotApplicable, "the tool's profile reads nothing of this task's output", judge.EvidenceOf(o))
		return
	}
	var wrong, unread, unknown []string
	read := 0
	facts := m.facts(o.Time)
	for i := range m.want.Checks {
		f := m.want.Checks[i].Compare(r, &facts)
		switch f.Outcome {
		case judge.Ours:
			m.decide(o.Time, judge.Ours, f.Text, judge.EvidenceOf(o))
			return
		case judge.NotApplicable:
			unread = append(unread, f.Text)
			continue
		case judge.Undecided:
			unknown = append(unknown, f.Text)
			continue
		case judge.Fail:
			if len(wrong) == 0 { // from here on the margin is of what is wrong
				m.v.Margin, m.v.Evidence = judge.Margin{}, nil
			}
			wrong = append(wrong, f.Text)
			m.v.FalsePositives += f.Positives
			m.v.FalseNegatives += f.Negatives
		}
		read++
		if f.Outcome == judge.Fail || len(wrong) == 0 {
			m.tightest(f)
		}
	}
	switch {
	case len(wrong) > 0:
		m.decide(o.Time, judge.Fail, strings.Join(wrong, "; ")+fmt.Sprintf(" (%s)", m.v.Mistakes()), judge.EvidenceOf(o))
	case len(unknown) > 0:
		m.decide(o.Time, judge.Undecided, strings.Join(unknown, "; "), judge.EvidenceOf(o))
	case read == 0:
		m.decide(o.Time, judge.NotApplicable, "the tool's profile does not read "+strings.Join(unread, ", "), judge.EvidenceOf(o))
	case m.want.Nth > 0:
		m.pass(o.Time, unread)
		m.show(judge.EvidenceOf(o))
	default:
		m.show(judge.EvidenceOf(o))
	}
}

// tightest keeps the margin that is the least share of its tolerance.
func (m *reported) tightest(f report.Finding) {
	if f.Margin.Known && (!m.v.Margin.Known || f.Share < m.share) {
		m.v.Margin, m.share = f.Margin, f.Share
	}
}

// ended decides a report that never came.
func (m *reported) ended(o *judge.Observation) bool {
	if m.want.OrSilent {
		return false
	}
	switch o.Status {
	case judge.StatusTimeout:
		m.v.Cause = judge.Hung
		m.decide(o.Time, judge.Fail, "the tool did not end in its time, so it reported nothing", judge.EvidenceOf(o))
	case judge.StatusCrashed:
		m.v.Cause = judge.Crashed
		m.decide(o.Time, judge.Fail, "the tool crashed, so it reported nothing", judge.EvidenceOf(o))
	}
	return m.done
}

func (m *reported) pass(now time.Duration, unread []string) {
	reason := "as it was true"
	if len(unread) > 0 {
		reason += ", except that the profile does not read " + strings.Join(unread, ", ")
	}
	m.decide(now, judge.Pass, reason)
}

func (m *reported) facts(now time.Duration) report.Facts {
	return report.Facts{
		VIN: m.opt.VIN, ECUs: m.opt.ECUs, Started: m.started, Now: now, OrSilent: m.want.OrSilent, Known: m.want.Known,
		Silent: m.hearing.Silent,
		Range: func(name string, from, to time.Duration) (low, high float64, unit string, ok bool) {
			low, high, ok = m.truth(name, from, to)
			return low, high, m.unit(name), ok
		},
	}
}

func (m *reported) unit(name string) string {
	for _, i := range m.opt.Truth.Infos() {
		if i.Name == name {
			return i.Unit
		}
	}
	return ""
}

// truth is the range of a signal over a time, with the last sample before it.
func (m *reported) truth(name string, from, to time.Duration) (low, high float64, ok bool) {
	for _, h := range m.history {
		if h.name != name || !h.ok {
			continue
		}
		for i, t := range h.times {
			covers := t >= from || i+1 < len(h.times) && h.times[i+1] > from || i+1 == len(h.times)
			if !covers || t > to {
				continue
			}
			v := h.values[i]
			if !ok {
				low, high, ok = v, v, true
			}
			low, high = min(low, v), max(high, v)
		}
	}
	return low, high, ok
}

func (m *reported) tick(time.Duration) {}

func (m *reported) finish(now time.Duration) {
	switch {
	case m.judgedN == 0 && m.run == 0:
		m.decide(now, judge.Undecided, fmt.Sprintf("task %q never started", m.want.Task))
	case m.judgedN == 0:
		m.decide(now, judge.Undecided, fmt.Sprintf("task %q ran %d times, wanted was the report of number %d", m.want.Task, m.run, m.want.Nth))
	default:
		m.pass(now, nil)
	}
}
