package bench_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/plan"
	"sawhorse/bench/run"
	"sawhorse/bench/tool/builtin"
	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/scenarios"
)

// runText runs a scenario given as text with the demo's tool in the bench.
func runText(t testing.TB, text string, seed uint64) *run.Result {
	t.Helper()
	name, _, _ := strings.Cut(strings.TrimPrefix(text, "scenario: "), "\n")
	sc, err := scenarios.Parse(name+".yaml", []byte(text), bench.Vocabulary())
	require.NoError(t, err)
	p := planOfText(t, sc)
	p.Seed = seed
	r, err := run.New(p, run.Options{Folder: t.TempDir(), InBench: inBench})
	require.NoError(t, err)
	res, err := r.Execute(context.Background())
	require.NoError(t, err)
	return res
}

// planOfText resolves a scenario for the demo's tool inside the bench.
func planOfText(t testing.TB, sc *scenarios.Scenario) *plan.Plan {
	t.Helper()
	profile, err := builtin.Source(builtin.Default)
	require.NoError(t, err)
	p, err := run.Resolve(sc, run.Choices{
		Program: "test", InBench: true, Tool: plan.Text{Name: builtin.Default, Text: string(profile)},
	})
	require.NoError(t, err)
	return p
}

func requirePass(t testing.TB, res *run.Result) {
	t.Helper()
	require.NoError(t, res.Err)
	for _, v := range res.Verdicts {
		require.Equal(t, "pass", v.Outcome.String(), "%s: %s %v", v.ID, v.Reason, v.Evidence)
	}
}

const head = `scenario: when
title: When faults come
about: A test.
car: petrel-48
duration: 200s
driver: [{at: 0s, key: "on"}]
`

func TestAFaultComesAtTheNthBeginning(t *testing.T) {
	requirePass(t, runText(t, head+`
faults: [{fault: request-refused, params: {code: "21"}, when: event.kind == "request" && event.service == 3, nth: 2, for: 2s}]
tasks: [{task: read-codes, at: 2s}, {task: read-codes}, {task: read-codes}]
expect:
  - {id: second, says: It comes in the second task, count: {of: event.kind == "fault-on" && size(ended) == 1, at-least: 1, at-most: 1}}
  - {id: once, says: It comes once, count: {of: event.kind == "fault-on", at-least: 1, at-most: 1}}
`, 1))
}

// A mean time of 2 s between faults that last 0.5 s makes about 80 in 200 s; the
// standard deviation of a Poisson count is its root (common practice: four of them).
func TestAFaultComesAndGoesByChance(t *testing.T) {
	const text = head + `
faults: [{fault: intake-air-open, from: 1s, until: 190s, random: {between: 2s, lasting: 500ms}}]
expect:
  - {id: often, says: Often, count: {of: event.kind == "fault-on", at-least: 44, at-most: 110}}
  - {id: even, says: It goes as often, count: {of: event.kind == "fault-off", at-least: 44, at-most: 110}}
  - {id: window, says: In its time only, never: event.kind == "fault-on" && (t < 1.0 || t > 190.0)}
  - {id: gone, says: In the end it has gone, from: 199s, always: size(faults) == 0}
`
	requirePass(t, runText(t, text, 1))
	first, again, other := runText(t, text, 5), runText(t, text, 5), runText(t, text, 6)
	assert.Equal(t, first.Verdicts, again.Verdicts, "the same seed repeats it")
	assert.NotEqual(t, first.Verdicts, other.Verdicts)
}

// A rate that follows a signal: none while the key is off, ten a second after.
func TestAFaultFollowsASignal(t *testing.T) {
	text := strings.Replace(head, `driver: [{at: 0s, key: "on"}]`, `driver: [{at: 100s, key: "on"}]`, 1) + `
faults: [{fault: intake-air-open, random: {rate: 'key_on ? 10.0 : 0.0', lasting: 20ms, spread: fixed}}]
expect:
  - {id: never-off, says: Not with the key off, until: 99s, never: event.kind == "fault-on"}
  - {id: often-on, says: Often with the key on, from: 100s, count: {of: event.kind == "fault-on", at-least: 500, at-most: 1000}}
`
	requirePass(t, runText(t, text, 1))
}

// A frame that a fault touched carries a comment that says so, in the capture that
// the run leaves.
func TestTouchedFramesCarryACommentInTheCapture(t *testing.T) {
	res := runText(t, head+`
faults: [{fault: bits-flipped, params: {ids: "7E8", bytes: "80", at: -1}, from: 1s}]
tasks: [{task: read-codes, at: 2s}]
expect: [{id: any, says: Something is asked, count: {of: event.kind == "request", at-least: 1}}]
`, 1)
	requirePass(t, res)
	r, err := capture.Open(res.Capture)
	require.NoError(t, err)
	defer r.Close()
	touched := 0
	for f := nextFrame(r); f != nil; f = nextFrame(r) {
		if c := r.Comment(); c != "" {
			assert.Equal(t, "bits-flipped: flip", c)
			assert.EqualValues(t, 0x7E8, f.ID)
			touched++
		}
	}
	assert.Greater(t, touched, 3)
	assert.Less(t, res.Length, time.Minute)
}

func nextFrame(r *capture.Reader) *canbus.Frame {
	var f canbus.Frame
	if r.Next(&f) != nil {
		return nil
	}
	return &f
}

// A fault that is on while a state holds: as the engine is fast, and no longer.
func TestAFaultIsOnWhileAStateHolds(t *testing.T) {
	requirePass(t, runText(t, `scenario: while
title: A fault while a state holds
about: A test.
car: petrel-48
duration: 60s
driver:
  - {at: 0s, key: "on", clutch: 100}
  - {at: 2s, key: start}
  - {when: engine_running, after: 300ms, key: "on"}
  - {at: 15s, accelerator: 30}
  - {at: 25s, accelerator: 0}
  - {at: 35s, accelerator: 30}
  - {at: 40s, accelerator: 0}
faults: [{fault: intake-air-open, while: engine_rpm > 1500}]
expect:
  - {id: twice, says: It comes twice, count: {of: event.kind == "fault-on", at-least: 2, at-most: 2}}
  - {id: goes, says: It goes each time, count: {of: event.kind == "fault-off", at-least: 2, at-most: 2}}
  - {id: fast, says: It is on when the engine is fast, never: engine_rpm > 1600 && size(faults) == 0}
  - {id: slow, says: It is off when the engine is slow, never: engine_rpm < 1400 && size(faults) > 0}
`, 1))
}

// On and off again and again until an end.
func TestAFaultRepeatsUntilItsEnd(t *testing.T) {
	requirePass(t, runText(t, head+`
faults: [{fault: intake-air-open, from: 1s, for: 1s, every: 4s, until: 20s}]
expect:
  - {id: five, says: Every four seconds, count: {of: event.kind == "fault-on", at-least: 5, at-most: 5}}
  - {id: five-ends, says: It goes as often, count: {of: event.kind == "fault-off", at-least: 5, at-most: 5}}
`, 1))
}
