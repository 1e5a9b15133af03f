package bench_test

import (
	"context"
	"runtime"
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/plan"
	"sawhorse/bench/run"
	"sawhorse/scenarios"
)

// Every built-in scenario once, by the CPU time that it takes: how much faster than the
// car's own time the slowest is and the one in the middle, and how many allocations a
// frame the run makes that makes most.
func BenchmarkEveryScenario(b *testing.B) {
	dir := b.TempDir()
	type figure struct {
		name          string
		ratio, allocs float64
	}
	var list []figure
	for b.Loop() {
		list = list[:0]
		for _, name := range scenarios.Names() {
			p := planOf(b, name, 1)
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			from := cpuTime(b)
			res := execute(b, p, dir)
			took := cpuTime(b) - from
			runtime.ReadMemStats(&after)
			list = append(list, figure{name, res.Length.Seconds() / took.Seconds(), float64(after.Mallocs-before.Mallocs) / float64(res.Frames)})
		}
	}
	slices.SortFunc(list, func(x, y figure) int { return int(x.ratio - y.ratio) })
	for _, f := range list {
		b.Logf("%-30s %6.0f times real time, %.3f allocations a frame", f.name, f.ratio, f.allocs)
	}
	b.ReportMetric(list[0].ratio, "slowest-times-real-time")
	b.ReportMetric(list[len(list)/2].ratio, "median-times-real-time")
}

// cpuTime is what this process has used so far.
func cpuTime(tb testing.TB) time.Duration {
	var u syscall.Rusage
	require.NoError(tb, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// A frame makes no garbage, also in the longest run: of two runs of it, one broken off
// early, the longer one may make one allocation more for each hundred frames more, for
// tasks, messages and what is kept of them.
func TestTheLongestRunAllocatesNothingAFrame(t *testing.T) {
	if underRace {
		t.Skip("the race detector allocates")
	}
	p := planOf(t, "exchanged-ecu", 1)
	made := func(length time.Duration) (mallocs uint64, frames int) {
		p.Duration = plan.Duration(length)
		r, err := run.New(p, run.Options{Folder: t.TempDir(), InBench: inBench})
		require.NoError(t, err)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		res, err := r.Execute(context.Background())
		runtime.ReadMemStats(&after)
		require.NoError(t, err)
		return after.Mallocs - before.Mallocs, res.Frames
	}
	whole := time.Duration(p.Duration)
	m1, f1 := made(time.Minute)
	m2, f2 := made(whole)
	require.Greater(t, f2, f1+1_000_000)
	more, frames := float64(m2)-float64(m1), float64(f2-f1)
	require.Less(t, more/frames, 0.01, "%.0f allocations for %.0f frames", more, frames)
}
