package bench_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/judge"
	"sawhorse/bench/judge/recorded"
	"sawhorse/bench/plan"
	"sawhorse/bench/run"
	"sawhorse/bench/tool"
	"sawhorse/canbus/capture"
	"sawhorse/cmd/demotool/tester"
	"sawhorse/scenarios"
)

// The recording of a run, judged again with what the run knew beside the bus, comes to
// what the run came to: every rule on frames, of every built-in scenario, by outcome,
// count and evidence.
func TestRecordingsComeToWhatTheirRunsCameTo(t *testing.T) {
	judged := 0
	for _, name := range scenarios.Names() {
		p := planOf(t, name, 1)
		if (testing.Short() || underRace) && time.Duration(p.Duration) > 2*time.Minute {
			continue // the race detector sees nothing new in it
		}
		if underRace && name != "clear-everywhere" && name != "auklet-healthy" && name != "answers-lost" && name != "slow-and-busy" {
			continue
		}
		judged += len(judgedAgain(t, p, inBench))
	}
	if !underRace {
		require.Greater(t, judged, 100)
	}
}

// The same of the demo's tool with each of its seeded mistakes, in a scenario that has it
// read and clear everywhere, and in one that has it learn.
func TestRecordingsComeToWhatTheirRunsCameToWithMistakes(t *testing.T) {
	broken := 0
	for _, name := range []string{"clear-everywhere", "clutch-learn"} {
		for i, d := range tester.Defects() {
			if underRace && i%10 != 0 {
				continue
			}
			list := judgedAgain(t, planOf(t, name, 1), func(task string, args map[string]string) (tool.Machine, error) {
				return tester.StartWith(d.ID, task, args)
			})
			for _, v := range list {
				if v.Outcome == judge.Fail || v.Outcome == judge.Advice {
					broken++
				}
			}
		}
	}
	if !underRace {
		require.Greater(t, broken, 20, "too few rules were broken to prove anything")
	}
}

// judgedAgain runs a plan, wants its recording to come to the same, and gives the
// verdicts of the rules.
func judgedAgain(t *testing.T, p *plan.Plan, start tool.MachineFunc) []judge.Verdict {
	t.Helper()
	r, err := run.New(p, run.Options{Folder: t.TempDir(), InBench: start, Trace: true})
	require.NoError(t, err)
	res, err := r.Execute(context.Background())
	require.NoError(t, err)
	pairs, err := bench.Pairs(res.Scenario.Car)
	require.NoError(t, err)
	src, err := capture.Open(res.Capture)
	require.NoError(t, err)
	opt := recorded.Options{Pairs: pairs, Running: bench.RoutineRuns, Strict: res.Scenario.Rules.Strict, Run: bench.Past(res.Trace, true), Exceptions: map[string]string{}}
	for _, e := range res.Scenario.Rules.Except {
		opt.Exceptions[e.Rule] = e.Because
	}
	got, err := recorded.Judge(src, opt)
	require.NoError(t, src.Close())
	require.NoError(t, err)
	require.Equal(t, res.Frames, got.Frames, p.Scenario.Name)
	var want []judge.Verdict
	for _, v := range res.Verdicts {
		if v.Group == judge.GroupRule {
			want = append(want, v)
		}
	}
	require.Equal(t, want, got.Verdicts, p.Scenario.Name)
	return want
}
