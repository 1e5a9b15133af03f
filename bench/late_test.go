package bench

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"sawhorse/bench/judge"
	"sawhorse/canbus/clock"
)

func TestLatenessOfTheBenchIsNotHeldAgainstTheTool(t *testing.T) {
	const ms = time.Millisecond
	fail := func(margin judge.Margin) judge.Verdict {
		return judge.Verdict{ID: "x", Outcome: judge.Fail, Cause: judge.Broken, Margin: margin, Reason: "it came too late", Decided: 5 * time.Second}
	}
	stretch := func(from, by time.Duration) clock.Late { return clock.Late{From: from, To: from + by, By: by} }
	for name, c := range map[string]struct {
		v    judge.Verdict
		late []clock.Late
		want judge.Outcome
	}{
		"a bench that kept up":                      {fail(judge.TimeMargin(-ms)), nil, judge.Fail},
		"late enough to have made somebody wait":    {fail(judge.Margin{}), []clock.Late{stretch(time.Second, 30*ms)}, judge.Undecided},
		"late only afterwards":                      {fail(judge.Margin{}), []clock.Late{stretch(6*time.Second, time.Second)}, judge.Fail},
		"a little late, and nothing about time":     {fail(judge.Margin{}), []clock.Late{stretch(time.Second, 10*ms)}, judge.Fail},
		"missed by less than the bench was late":    {fail(judge.TimeMargin(-8 * ms)), []clock.Late{stretch(time.Second, 5*ms), stretch(2*time.Second, 6*ms)}, judge.Undecided},
		"missed by more than the bench was late":    {fail(judge.TimeMargin(-80 * ms)), []clock.Late{stretch(time.Second, 10*ms)}, judge.Fail},
		"what passed is not touched by any of this": {judge.Verdict{Outcome: judge.Pass, Decided: 5 * time.Second}, []clock.Late{stretch(0, time.Second)}, judge.Pass},
	} {
		t.Run(name, func(t *testing.T) {
			list := []judge.Verdict{c.v}
			excuse(list, c.late, nil)
			assert.Equal(t, c.want, list[0].Outcome)
			if c.want == judge.Undecided {
				assert.Contains(t, list[0].Reason, "the bench was late by ")
				assert.Contains(t, list[0].Reason, "it came too late")
				assert.Equal(t, judge.NoCause, list[0].Cause)
				assert.NotEmpty(t, list[0].Evidence)
			}
		})
	}
}

// What a client did not read is its own doing: it is shown and excuses nothing.
func TestFramesThatAToolDidNotReadAreShown(t *testing.T) {
	list := []judge.Verdict{{Outcome: judge.Fail, Decided: time.Second}, {Outcome: judge.Pass}}
	excuse(list, nil, map[string]int{"client-2": 7, "client-1": 500})
	assert.Equal(t, judge.Fail, list[0].Outcome)
	assert.Equal(t, []judge.Evidence{
		{Time: time.Second, Text: "client-1 did not read in time and has lost 500 frames"},
		{Time: time.Second, Text: "client-2 did not read in time and has lost 7 frames"},
	}, list[0].Evidence)
	assert.Empty(t, list[1].Evidence)
}
