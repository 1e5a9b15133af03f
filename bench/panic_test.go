package bench_test

import (
	"context"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/judge"
	"sawhorse/bench/tool"
)

// trap is a model that has a mistake: it panics in the middle of the loop.
type trap struct{ tool.Machine }

func (trap) Tick(time.Duration) { panic("index out of range in the model") }

// A program that is wrong must not be taken for a tool that is: the run ends, what was
// not decided is our own fault, and the recording up to there is whole.
func TestAPanicIsOurOwnFault(t *testing.T) {
	p := planOf(t, "healthy", 1)
	r, err := bench.NewRun(p, bench.Options{Folder: t.TempDir(), InBench: func(task string, args map[string]string) (tool.Machine, error) {
		m, err := inBench(task, args)
		return trap{m}, err
	}})
	require.NoError(t, err)
	res, err := r.Execute(context.Background())
	require.NoError(t, err)
	var wrong *bench.PanicError
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
