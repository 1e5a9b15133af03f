package bench_test

import (
	"runtime"
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

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
