package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/task"
)

// Options say what is to be known of a run.
type Options struct {
	// Alters reports whether a fault alters answers, or keeps frames from arriving
	// as they were sent, so that a tool may distrust them. Nil means none does.
	Alters func(fault string) bool
	// Falsifies reports whether a fault has answers say something else than their units
	// meant, so that even a whole one may be understood in another way. Nil means that
	// what alters may falsify.
	Falsifies func(fault string) bool
	// Exceptions are ids that are not held against a tool, with the reason.
	Exceptions map[string]string
	// Requests gives the request identifier of the unit that answers on one, in hex,
	// as Report.Addresses has it.
	Requests map[int]string
}

// Count is what came of the reports of one task.
type Count struct {
	Task string
	// True are entries that were said and true.
	True, FalsePositives, FalseNegatives int
}

// Set compares one run's reports.
type Set struct {
	opt     Options
	heard   *heard // nil outside a task
	on      []string
	altered bool // a fault has altered something in the running task
	// falsified says that it may have changed what answers say.
	falsified bool
	known     []item // vehicle's numbers heard in the run
	status    bool   // lamp and monitors were heard in the run
	// asked are the fields that were asked for in the run: a tool may remember.
	asked   map[string]bool
	tallies []tally
	counts  []Count
}

// New returns a set for one run.
func New(opt Options) *Set {
	if opt.Alters == nil {
		opt.Alters = func(string) bool { return false }
	}
	if opt.Falsifies == nil {
		opt.Falsifies = opt.Alters
	}
	return &Set{opt: opt, tallies: make([]tally, len(claims)), asked: map[string]bool{}}
}

// Observe takes what goes by.
func (s *Set) Observe(o *judge.Observation) {
	switch o.Kind {
	case judge.Response:
		if s.heard != nil && len(o.Data) > 0 {
			s.hear(o)
			s.heard.take(o)
		}
	case judge.Request:
		if s.heard != nil && len(o.Data) > 0 {
			s.hear(o)
		}
	case judge.FaultOn:
		s.on = append(s.on, o.Fault)
		s.altered = s.altered || s.opt.Alters(o.Fault)
		s.falsified = s.falsified || s.opt.Falsifies(o.Fault)
	case judge.FaultOff:
		if i := slices.Index(s.on, o.Fault); i >= 0 {
			s.on = slices.Delete(s.on, i, i+1)
		}
	case judge.TaskStart:
		s.heard, s.altered = newHeard(), slices.ContainsFunc(s.on, s.opt.Alters)
		s.falsified = slices.ContainsFunc(s.on, s.opt.Falsifies)
	case judge.TaskEnd:
		if s.heard != nil && o.Report != nil {
			s.compare(o)
		}
		s.heard = nil
	}
}

// hear notes who is asked and who answers. What was asked for once may be remembered.
func (s *Set) hear(o *judge.Observation) {
	s.heard.hearing.Observe(o)
	fields, _ := about(o)
	for _, f := range fields {
		s.asked[f] = true
	}
}

// compare looks at each field of a report.
func (s *Set) compare(o *judge.Observation) {
	h := s.heard
	s.known = append(s.known, h.vins...)
	s.status = s.status || len(h.lamp) > 0
	c := comparison{set: s, h: h, r: o.Report, o: o}
	for i, f := range task.EachField() {
		if !o.Report.Reads.Has(f.Field) {
			continue
		}
		c.t, c.name, c.field, c.said = &s.tallies[i], f.Name, f.Field, o.Report.Says.Has(f.Field)
		before := *c.t
		claims[f.Field].compare(&c)
		if *c.count(&before) != (Count{Task: o.Task}) {
			c.t.reports++
		}
	}
}

// Finish returns the verdicts on the fields that were compared, and the counts by
// task, in the order of the tasks.
func (s *Set) Finish(now time.Duration) ([]judge.Verdict, []Count) {
	var vs []judge.Verdict
	for i, f := range task.EachField() {
		t, x := &s.tallies[i], claims[f.Field]
		if t.reports == 0 {
			continue
		}
		v := judge.Verdict{
			ID: Prefix + f.Name, Group: judge.GroupReport, Says: x.says, Why: x.why, Source: x.source, Outcome: judge.Pass, Decided: now,
			FalsePositives: t.positives, FalseNegatives: t.negatives, Evidence: t.evidence,
			Reason: fmt.Sprintf("%s in %s, all true", many(t.right, "entry", "entries"), many(t.reports, "report", "reports")),
		}
		if n := t.positives + t.negatives; n > 0 {
			v.Outcome, v.Cause, v.Decided = judge.Fail, judge.Broken, t.at
			v.Margin = judge.Margin{Value: -float64(n), Unit: "entries", Known: true}
			v.Reason = fmt.Sprintf("%s, %d right: %s", v.Mistakes(), t.right, short(t.wrong))
			if !t.held {
				v.Outcome, v.Cause = judge.Advice, judge.NoCause
				v.Reason += ". A fault was at the frames or the answers, so it is not held against the tool"
			}
			if because, ok := s.opt.Exceptions[v.ID]; ok {
				v.Outcome, v.Cause = judge.NotApplicable, judge.NoCause
				v.Reason = "the scenario makes an exception, " + because + ": " + v.Reason
			}
		}
		vs = append(vs, v)
	}
	return vs, s.counts
}

func many(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

func short(list []string) string {
	const most = 5
	if len(list) <= most {
		return strings.Join(list, "; ")
	}
	return strings.Join(list[:most], "; ") + fmt.Sprintf("; and %d more", len(list)-most)
}
