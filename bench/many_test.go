package bench_test

import (
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/batch"
	"sawhorse/bench/plan"
	"sawhorse/bench/report"
	"sawhorse/bench/run"
	"sawhorse/scenarios"
)

// outcome is all that a run gives: its verdicts, word for word, and its recording.
type outcome struct {
	verdicts string
	capture  [sha256.Size]byte
	frames   int
	events   uint64
}

// many does the runs of some plans side by side, and tells them in the order of the
// plans.
func many(t testing.TB, plans []*plan.Plan, workers int) []outcome {
	t.Helper()
	scenario := map[string]*scenarios.Scenario{}
	for _, p := range plans {
		if _, ok := scenario[p.Scenario.Name]; !ok {
			s, err := run.Scenario(p)
			require.NoError(t, err)
			scenario[p.Scenario.Name] = s // shared by all its runs, as the command does it
		}
	}
	dir := t.TempDir()
	list := make([]outcome, len(plans))
	do := func(ctx context.Context, i, _ int) (report.Run, bool, error) {
		folder := filepath.Join(dir, fmt.Sprint(i))
		r, err := run.New(plans[i], run.Options{Folder: folder, InBench: inBench, Scenario: scenario[plans[i].Scenario.Name]})
		if err != nil {
			return report.Run{}, false, err
		}
		res, err := r.Execute(ctx)
		if err != nil {
			return report.Run{}, false, err
		}
		data, err := os.ReadFile(res.Capture)
		if err != nil {
			return report.Run{}, false, err
		}
		list[i] = outcome{fmt.Sprintf("%+v", res.Verdicts), sha256.Sum256(data), res.Frames, res.Events}
		return report.Run{}, true, os.RemoveAll(folder)
	}
	n, err := batch.Do(context.Background(), len(plans), batch.Options{Workers: workers}, do, func(int, []report.Run) {})
	require.NoError(t, err)
	require.Equal(t, len(plans), n)
	return list
}

// Runs that share a process share nothing else: whatever goes on beside it, a run gives
// the capture and the verdicts that it gives alone.
func TestRunsSideBySideAreAsAlone(t *testing.T) {
	var plans []*plan.Plan
	for _, name := range []string{"clutch-learn", "air-mass-dead", "tool-cable-pulled", "crank-variation-unlearned", "clutch-unlearned"} {
		for seed := range uint64(3) {
			plans = append(plans, planOf(t, name, seed+1))
		}
	}
	alone := many(t, plans, 1)
	for i := range alone {
		require.NotZero(t, alone[i].frames)
		for k := range i {
			if plans[i].Scenario.Name != plans[k].Scenario.Name {
				require.NotEqual(t, alone[k].capture, alone[i].capture, "captures that were equal anyhow would prove nothing")
			}
		}
	}
	for _, workers := range []int{2, 8} {
		beside := many(t, plans, workers)
		for i := range plans {
			require.Equal(t, alone[i], beside[i], "%s, seed %d, %d at once", plans[i].Scenario.Name, plans[i].Seed, workers)
		}
	}
}

// Who hears a request to all is told by the car's own description: in the Petrel 48 the
// body unit does not listen to the identifier of OBD.
func TestTheTraceTellsWhoListens(t *testing.T) {
	r, err := run.New(planOf(t, "healthy", 1), run.Options{Folder: t.TempDir(), InBench: inBench, Trace: true})
	require.NoError(t, err)
	res, err := r.Execute(context.Background())
	require.NoError(t, err)
	require.Equal(t, []string{"engine", "brake"}, res.Trace.Hear(0x7DF))
	require.Nil(t, res.Trace.Hear(0x7A0))
}

// BenchmarkManyRuns does the clutch scenario with many seeds, by one worker and by two.
// runs/s is of two; ratio is how many times as fast they are as one, on a machine with
// two cores to itself.
func BenchmarkManyRuns(b *testing.B) {
	var plans []*plan.Plan
	for seed := range uint64(40) {
		plans = append(plans, planOf(b, "clutch-learn", seed+1))
	}
	many(b, plans[:4], 2) // warm
	one, two := 0.0, 0.0
	from := cpuTime(b)
	for b.Loop() {
		start := b.Elapsed()
		many(b, plans, 1)
		half := b.Elapsed()
		many(b, plans, 2)
		one, two = one+(half-start).Seconds(), two+(b.Elapsed()-half).Seconds()
	}
	b.ReportMetric(float64(len(plans)*b.N)/two, "runs/s")
	b.ReportMetric(one/two, "ratio")
	b.ReportMetric(float64((cpuTime(b)-from).Milliseconds())/float64(2*len(plans)*b.N), "cpu-ms/run")
}
