package bench_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/judge"
	"sawhorse/bench/run"
	"sawhorse/bench/tool"
	"sawhorse/canbus"
	"sawhorse/scenarios"
)

// sender is a tool that sends its frames, a step apart, and is done.
type sender struct {
	frames []canbus.Frame
	next   time.Duration
	begun  bool
	ready  bool
	idle   bool // a step after the last frame
}

func (s *sender) Receive(time.Duration, *canbus.Frame) {}
func (s *sender) Sent(time.Duration, *canbus.Frame)    {}
func (s *sender) Interrupt(time.Duration)              { s.frames = nil }
func (s *sender) NextLine() (string, bool)             { return "", false }
func (s *sender) Output() []byte                       { return []byte("{}") }
func (s *sender) Done() (int, bool)                    { return 0, s.idle }
func (s *sender) Deadline() (time.Duration, bool)      { return s.next, true }

func (s *sender) Tick(now time.Duration) {
	if now >= s.next || !s.begun {
		s.idle = s.begun && len(s.frames) == 0
		s.begun, s.ready = true, len(s.frames) > 0
		s.next = now + 200*time.Millisecond
	}
}

func (s *sender) NextFrame(f *canbus.Frame) bool {
	if !s.ready {
		return false
	}
	s.ready = false
	*f = s.frames[0]
	s.frames = s.frames[1:]
	return true
}

func ask(id canbus.ID, data ...byte) canbus.Frame {
	f := canbus.Frame{ID: id, Len: 8}
	f.Data[0] = byte(len(data))
	copy(f.Data[1:], data)
	return f
}

// runSender runs a tool that sends these frames in its only task.
func runSender(t *testing.T, text string, strict bool, frames ...canbus.Frame) map[string]judge.Verdict {
	t.Helper()
	sc, err := scenarios.Parse("when.yaml", []byte(head+text), bench.Vocabulary())
	require.NoError(t, err)
	p := planOfText(t, sc)
	p.Strict = strict
	r, err := run.New(p, run.Options{Folder: t.TempDir(), InBench: func(string, map[string]string) (tool.Machine, error) {
		return &sender{frames: append([]canbus.Frame(nil), frames...)}, nil
	}})
	require.NoError(t, err)
	res, err := r.Execute(context.Background())
	require.NoError(t, err)
	require.NoError(t, res.Err)
	all := map[string]judge.Verdict{}
	for _, v := range res.Verdicts {
		all[v.ID] = v
	}
	return all
}

const oneTask = `
tasks: [{task: clear-codes, at: 2s}]
expect: [{id: any, says: Anything, never: engine_rpm > 9000}]
`

// A run is judged by the rules without being asked: what must be kept fails it, what
// should be kept is advice, and fails only a strict one.
func TestEveryRunIsJudgedByTheRules(t *testing.T) {
	rude := []canbus.Frame{ask(0x7DF, 0x01, 0x00), ask(0x7DF, 0x04), ask(0x7E0, 0x03)}
	vs := runSender(t, oneTask, false, rude...)
	assert.Equal(t, judge.Fail, vs["rule/codes-read-before-clear"].Outcome)
	require.NotEmpty(t, vs["rule/codes-read-before-clear"].Evidence)
	assert.Equal(t, judge.Pass, vs["rule/starts-with-0100"].Outcome)
	assert.Equal(t, judge.Advice, vs["rule/obd-to-all"].Outcome)
	assert.Equal(t, judge.GroupRule, vs["rule/obd-to-all"].Group)
	assert.NotContains(t, vs, "rule/seed-before-key", "it had nothing to judge")
	vs = runSender(t, oneTask, true, rude...)
	assert.Equal(t, judge.Fail, vs["rule/obd-to-all"].Outcome)
}

// A scenario makes exceptions, which are told, and can be strict.
func TestAScenarioMakesExceptions(t *testing.T) {
	vs := runSender(t, oneTask+`rules: {except: [{rule: codes-read-before-clear, because: this lesson is about clearing}]}`, false, ask(0x7DF, 0x01, 0x00), ask(0x7DF, 0x04))
	v := vs["rule/codes-read-before-clear"]
	assert.Equal(t, judge.NotApplicable, v.Outcome)
	assert.Contains(t, v.Reason, "this lesson is about clearing")
	vs = runSender(t, oneTask+`rules: {strict: true}`, false, ask(0x7DF, 0x01, 0x00), ask(0x7E0, 0x03))
	assert.Equal(t, judge.Fail, vs["rule/obd-to-all"].Outcome)
}

// While a fault keeps the tool's frames from going as they were sent, nothing is held
// against it. What becomes of a unit's answers excuses nothing that the tool sees.
func TestRulesForgiveWhatAFaultCouldDo(t *testing.T) {
	for params, forgiven := range map[string]bool{"sender: tool, delay: 5": true, "ids: 7E8, delay: 5": false} {
		text := `
faults: [{fault: frames-late, params: {` + params + `}}]` + oneTask
		vs := runSender(t, text, false, ask(0x7DF, 0x01, 0x00), ask(0x7DF, 0x04))
		v, ok := vs["rule/codes-read-before-clear"]
		assert.Equal(t, forgiven, !ok || v.Outcome != judge.Fail, "%s: %v", params, v)
	}
}
