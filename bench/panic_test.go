package bench_test

import (
	"context"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
	"sawhorse/bench/run"
	"sawhorse/bench/tool"
)

// A program that is wrong must not be taken for a tool that is: the run ends, what was
// not decided is our own fault, and the recording up to there is whole.
func TestAPanicIsOurOwnFault(t *testing.T) {
	p := planOf(t, "healthy", 1)
	// What starts a tool is the bench's; a tool that panics has crashed by itself.
	r, err := run.New(p, run.Options{Folder: t.TempDir(), InBench: func(string, map[string]string) (tool.Machine, error) {
		panic("index out of range in the model")
	}})
	require.NoError(t, err)
	res, err := r.Execute(context.Background())
	require.NoError(t, err)
	var wrong *run.PanicError
	require.ErrorAs(t, res.Err, &wrong)
	require.Contains(t, wrong.Error(), "index out of range in the model")
	require.Contains(t, wrong.Error(), "panic_test.go:")
	ours := 0
	for _, v := range res.Verdicts {
		require.NotEqual(t, judge.Fail, v.Outcome, "%s: %s", v.ID, v.Reason)
		if v.Outcome == judge.Ours {
			ours++
			require.Contains(t, v.Reason, "the bench panicked")
		}
	}
	require.Positive(t, ours)
	info, err := os.Stat(res.Capture)
	require.NoError(t, err)
	require.Positive(t, info.Size())
}
