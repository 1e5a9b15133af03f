package bench_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/judge"
	"sawhorse/bench/judge/recorded"
	"sawhorse/bench/run"
	"sawhorse/canbus/capture"
	"sawhorse/scenarios"
)

// The recording of a run, judged again with what the run knew beside the bus, comes to
// what the run came to: every rule on frames, of every built-in scenario, by outcome,
// count and evidence.
func TestRecordingsComeToWhatTheirRunsCameTo(t *testing.T) {
	judged := 0
	for _, name := range scenarios.Names() {
		p := planOf(t, name, 1)
		if testing.Short() && time.Duration(p.Duration) > 2*time.Minute {
			continue
		}
		r, err := run.New(p, run.Options{Folder: t.TempDir(), InBench: inBench, Trace: true})
		require.NoError(t, err)
		res, err := r.Execute(context.Background())
		require.NoError(t, err)
		pairs, err := bench.Pairs(res.Scenario.Car)
		require.NoError(t, err)
		src, err := capture.Open(res.Capture)
		require.NoError(t, err)
		opt := recorded.Options{Pairs: pairs, Strict: res.Scenario.Rules.Strict, Run: bench.Past(res.Trace, true), Exceptions: map[string]string{}}
		for _, e := range res.Scenario.Rules.Except {
			opt.Exceptions[e.Rule] = e.Because
		}
		got, err := recorded.Judge(src, opt)
		require.NoError(t, src.Close())
		require.NoError(t, err)
		require.Equal(t, res.Frames, got.Frames, name)
		var want []judge.Verdict
		for _, v := range res.Verdicts {
			if v.Group == judge.GroupRule {
				want = append(want, v)
				judged++
			}
		}
		require.Equal(t, want, got.Verdicts, name)
	}
	require.Greater(t, judged, 100)
}
