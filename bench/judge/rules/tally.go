package rules

import (
	"fmt"
	"time"

	"sawhorse/bench/judge"
)

// maxEvidence bounds what is shown of a rule that was broken often.
const maxEvidence = 6

// tally is what one rule came to in one run.
type tally struct {
	rule     *Rule
	book     *book
	kept     int
	broken   int
	excused  int // broken while the bus was disturbed
	cut      int // owed when a recording ended
	first    string
	at       time.Duration
	evidence []judge.Evidence
	margin   judge.Margin
}

// keep counts a case in which the rule held.
func (t *tally) keep() { t.kept++ }

// breach counts one in which it was broken by this event. before are moments that it
// rests on.
func (t *tally) breach(e *event, before []mark, format string, args ...any) {
	if !t.rule.Alone && (t.book.disturbed(e.at) || len(before) > 0 && t.book.disturbed(before[0].at)) {
		t.excused++
		return
	}
	if t.book.cut {
		if t.cut++; t.broken > 0 {
			return // that is told
		}
	} else {
		t.broken++
	}
	if t.broken+t.cut == 1 {
		t.first, t.at = fmt.Sprintf(format, args...), e.at
	}
	m := e.mark()
	for _, x := range append(before, m) {
		if len(t.evidence) < maxEvidence {
			t.evidence = append(t.evidence, x.evidence())
		}
	}
}

// time keeps the least time that was left.
func (t *tally) time(left time.Duration) {
	if t.book.disturbed(t.book.now) {
		return
	}
	if s := left.Seconds(); !t.margin.Known || s < t.margin.Value {
		t.margin = judge.Margin{Value: s, Unit: "s", Known: true}
	}
}

// verdict is nothing for a rule that never applied.
func (t *tally) verdict(now time.Duration) (judge.Verdict, bool) {
	r := t.rule
	v := judge.Verdict{
		ID: Prefix + r.ID, Group: judge.GroupRule, Says: r.Says, Source: r.Source, Why: r.Why,
		Margin: t.margin, Evidence: t.evidence, Decided: now,
	}
	because, excepted := t.book.opt.Exceptions[r.ID]
	switch {
	case t.broken > 0:
		v.Decided = t.at
		v.Reason = t.first
		if t.broken > 1 {
			v.Reason += fmt.Sprintf(" (the first of %d times)", t.broken)
		}
		switch {
		case excepted:
			v.Outcome = judge.NotApplicable
			v.Reason = "the scenario makes an exception, " + because + ": " + v.Reason
		case r.Severity == Must || t.book.opt.Strict:
			v.Outcome, v.Cause = judge.Fail, judge.Broken
		default:
			v.Outcome = judge.Advice
		}
	case t.cut > 0 && !excepted:
		v.Outcome, v.Margin = judge.Undecided, judge.Margin{}
		v.Reason = "the recording ends before it could be told: " + t.first
	case t.kept > 0:
		v.Outcome = judge.Pass
		v.Reason = fmt.Sprintf("kept %d times", t.kept)
		if t.kept == 1 {
			v.Reason = "kept once"
		}
	default:
		return v, false
	}
	if t.excused > 0 {
		v.Reason += fmt.Sprintf("; %d cases while a fault disturbed the bus do not count", t.excused)
	}
	return v, true
}
