package judge

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/signal"
)

// Check is one comparison of what the tool said with what was true.
type Check struct {
	// Field is vin, ecus, stored, pending, permanent, lamp, learn, readiness or
	// live; Name is the monitor or the live value.
	Field, Name string
	// Has and Lacks are entries that the list must and must not have; with
	// Exact, Has is the whole list, in any order. Modules are given by name or by
	// request identifier; the latter count only if the tool tells any.
	Has, Lacks []string
	Exact      bool
	// AtLeast and AtMost bound the number of entries; 0 is no bound.
	AtLeast, AtMost int
	// Text is the value wanted of vin, lamp, learn and readiness. Car takes the
	// car's own VIN or number of ECUs.
	Text string
	Car  bool
	// Signal names the true signal that a live value must be near; "" compares
	// with Number. Within is the tolerance. The truth may be as old as Age, 0:
	// as the task.
	Signal string
	Number float64
	Within float64
	Age    time.Duration
}

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
	if s.o == nil || s.o.Kind.changesState() {
		m.record(s.now)
	}
	if s.o == nil || s.o.Task != m.want.Task {
		return
	}
	switch s.o.Kind {
	case TaskStart:
		m.run++
		m.started = s.now
		for i := range m.history {
			// Ages count within the task, so older truth can go.
			m.history[i].times, m.history[i].values = m.history[i].times[:0], m.history[i].values[:0]
		}
		m.record(s.now)
	case TaskEnd:
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

// finding is what one check came to.
type finding struct {
	outcome Outcome
	margin  Margin
	// share is the margin as a share of the tolerance: what is tightest of
	// values in different units.
	share float64
	text  string
	// positives are entries that were said and not true, negatives those that were
	// true and not said.
	positives, negatives int
}

func (m *reported) compare(o *Observation) {
	m.judgedN++
	if m.ended(o) {
		return
	}
	r := o.Report
	if r == nil && m.want.OrSilent {
		r = new(Report) // it may have died before it could say anything
	}
	if r == nil {
		m.decide(o.Time, NotApplicable, "the tool's profile reads nothing of this task's output", evidenceOf(o))
		return
	}
	var wrong, unread []string
	read := 0
	for i := range m.want.Checks {
		f := m.check(&m.want.Checks[i], r, o.Time)
		switch f.outcome {
		case Ours:
			m.decide(o.Time, Ours, f.text, evidenceOf(o))
			return
		case NotApplicable:
			unread = append(unread, f.text)
			continue
		case Fail:
			if len(wrong) == 0 { // from here on the margin is of what is wrong
				m.v.Margin, m.v.Evidence = Margin{}, nil
			}
			wrong = append(wrong, f.text)
			m.v.FalsePositives += f.positives
			m.v.FalseNegatives += f.negatives
		}
		read++
		if f.outcome == Fail || len(wrong) == 0 {
			m.tightest(f)
		}
	}
	switch {
	case len(wrong) > 0:
		m.decide(o.Time, Fail, strings.Join(wrong, "; ")+fmt.Sprintf(" (%s)", m.v.Mistakes()), evidenceOf(o))
	case read == 0:
		m.decide(o.Time, NotApplicable, "the tool's profile does not read "+strings.Join(unread, ", "), evidenceOf(o))
	case m.want.Nth > 0:
		m.pass(o.Time, unread)
		m.show(evidenceOf(o))
	default:
		m.show(evidenceOf(o))
	}
}

// tightest keeps the margin that is the least share of its tolerance.
func (m *reported) tightest(f finding) {
	if f.margin.Known && (!m.v.Margin.Known || f.share < m.share) {
		m.v.Margin, m.share = f.margin, f.share
	}
}

// ended decides a report that never came.
func (m *reported) ended(o *Observation) bool {
	if m.want.OrSilent {
		return false
	}
	switch o.Status {
	case StatusTimeout:
		m.v.Cause = Hung
		m.decide(o.Time, Fail, "the tool did not end in its time, so it reported nothing", evidenceOf(o))
	case StatusCrashed:
		m.v.Cause = Crashed
		m.decide(o.Time, Fail, "the tool crashed, so it reported nothing", evidenceOf(o))
	}
	return m.done
}

func (m *reported) pass(now time.Duration, unread []string) {
	reason := "as it was true"
	if len(unread) > 0 {
		reason += ", except that the profile does not read " + strings.Join(unread, ", ")
	}
	m.decide(now, Pass, reason)
}

func (m *reported) check(c *Check, r *Report, now time.Duration) finding {
	field := fieldOf(c.Field)
	switch {
	case !r.Reads.Has(field):
		return finding{outcome: NotApplicable, text: c.title()}
	case !r.Says.Has(field) && m.want.OrSilent:
		return finding{outcome: Pass}
	case !r.Says.Has(field):
		return finding{outcome: Fail, text: c.title() + " is not reported", negatives: max(1, len(c.Has))}
	}
	switch c.Field {
	case "ecus":
		return m.checkModules(c, r)
	case "stored", "pending", "permanent":
		return m.checkList(c, r.list(c.Field))
	case "live":
		return m.checkLive(c, r, now)
	}
	want := c.Text
	if c.Car {
		want = m.opt.VIN
	}
	got, ok := r.text(c.Field, c.Name)
	switch {
	case !ok:
		return finding{outcome: Fail, text: c.title() + " is not reported", negatives: 1}
	case got != want:
		f := finding{outcome: Fail, text: fmt.Sprintf("%s is reported as %q, true is %q", c.title(), got, want)}
		f.positives, f.negatives = c.mistaken(want)
		return f
	}
	return finding{outcome: Pass}
}

// mistaken counts a word that was said in another's place. A lamp, a monitor or a
// learn that is said to be on, complete or done and is not is said too much; the
// reverse is left out. Of any other word both hold.
func (c *Check) mistaken(want string) (positives, negatives int) {
	switch c.Field {
	case "lamp", "readiness", "learn":
		if want == "on" || want == "complete" || want == LearnDone {
			return 0, 1
		}
		return 1, 0
	}
	return 1, 1
}

func (c *Check) title() string {
	if c.Name != "" {
		return c.Field + " " + c.Name
	}
	return c.Field
}

// checkModules compares by identifier where the scenario gives identifiers.
func (m *reported) checkModules(c *Check, r *Report) finding {
	if !slices.ContainsFunc(slices.Concat(c.Has, c.Lacks), isAddress) {
		return m.checkList(c, r.ECUs)
	}
	count := *c
	count.Has, count.Lacks, count.Exact = nil, nil, false
	f := m.checkList(&count, r.ECUs)
	if f.outcome == Fail || r.Addresses == nil {
		return f
	}
	entries := *c
	entries.AtLeast, entries.AtMost = 0, 0
	return m.checkList(&entries, r.Addresses)
}

// checkList counts what is missing and what is too much, each on its own. One
// entry of the list serves one that is wanted.
func (m *reported) checkList(c *Check, got []string) finding {
	has, exact := c.Has, c.Exact
	if c.Car {
		has, exact = m.opt.ECUs, true
	}
	rest := slices.Clone(got)
	var missing, extra []string
	for _, w := range has {
		if i := slices.Index(rest, w); i >= 0 {
			rest = slices.Delete(rest, i, i+1)
		} else {
			missing = append(missing, w)
		}
	}
	for _, g := range rest {
		if exact || slices.Contains(c.Lacks, g) {
			extra = append(extra, g)
		}
	}
	var parts []string
	off, few, many := 0, 0, 0
	if n := len(got); n < c.AtLeast {
		off = c.AtLeast - n
		few = off
		parts = append(parts, fmt.Sprintf("%d entries, at least %d are true", n, c.AtLeast))
	} else if c.AtMost > 0 && n > c.AtMost {
		off = n - c.AtMost
		many = off
		parts = append(parts, fmt.Sprintf("%d entries, at most %d are true", n, c.AtMost))
	}
	if off += len(missing) + len(extra); off == 0 {
		return finding{outcome: Pass}
	}
	if len(missing) > 0 {
		parts = append(parts, fmt.Sprintf("%d missed (%s)", len(missing), strings.Join(missing, " ")))
	}
	if len(extra) > 0 {
		parts = append(parts, fmt.Sprintf("%d too much (%s)", len(extra), strings.Join(extra, " ")))
	}
	return finding{
		outcome: Fail, margin: Margin{-float64(off), "entries", true}, share: -float64(off),
		text:      fmt.Sprintf("%s: %s; reported [%s]", c.Field, strings.Join(parts, ", "), strings.Join(got, " ")),
		positives: max(many, len(extra)), negatives: max(few, len(missing)),
	}
}

// checkLive compares a value with the range of the truth while it can have been
// read: from Age before (the start of the task) to the moment of reading (its end).
func (m *reported) checkLive(c *Check, r *Report, now time.Duration) finding {
	l, ok := r.live(c.Name)
	if !ok {
		return finding{outcome: Fail, text: c.title() + " is not reported", negatives: 1}
	}
	if math.IsNaN(l.Value) || math.IsInf(l.Value, 0) {
		return finding{outcome: Fail, text: fmt.Sprintf("%s is reported as %v, which is no number", c.title(), l.Value), positives: 1}
	}
	low, high, unit := c.Number, c.Number, ""
	if c.Signal != "" {
		to := now
		if l.HasTime {
			to = l.At
		}
		from := m.started
		if c.Age > 0 {
			from = max(from, to-c.Age)
		}
		if low, high, ok = m.truth(c.Signal, from, to); !ok {
			return finding{outcome: Ours, text: fmt.Sprintf("the true %s was not recorded from %s to %s", c.Signal, seconds(from), seconds(to))}
		}
		unit = m.unit(c.Signal)
	}
	away := max(low-l.Value, l.Value-high, 0)
	f := finding{outcome: Pass, margin: Margin{c.Within - away, unit, true}}
	if c.Within > 0 {
		f.share = f.margin.Value / c.Within
	} else {
		f.share = f.margin.Value
	}
	if away > c.Within {
		f.outcome, f.positives = Fail, 1
		f.text = fmt.Sprintf("%s is reported as %g, true was %.4g to %.4g, allowed is %g off", c.title(), l.Value, low, high, c.Within)
	}
	return f
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
		m.decide(now, Undecided, fmt.Sprintf("task %q never started", m.want.Task))
	case m.judgedN == 0:
		m.decide(now, Undecided, fmt.Sprintf("task %q ran %d times, wanted was the report of number %d", m.want.Task, m.run, m.want.Nth))
	default:
		m.pass(now, nil)
	}
}
