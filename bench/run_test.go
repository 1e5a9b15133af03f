package bench_test

import (
	"context"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/plan"
	"sawhorse/bench/run"
	"sawhorse/bench/tool"
	"sawhorse/bench/tool/builtin"
	"sawhorse/cmd/demotool/tester"
	"sawhorse/scenarios"
)

// inBench is the demo's tool, run inside the bench.
func inBench(task string, args map[string]string) (tool.Machine, error) {
	return tester.Start(task, args)
}

// planOf resolves a built-in scenario for the demo's tool inside the bench.
func planOf(t testing.TB, name string, seed uint64) *plan.Plan {
	t.Helper()
	sc, err := scenarios.BuiltIn(name, bench.Vocabulary())
	require.NoError(t, err)
	profile, err := builtin.Source(builtin.Default)
	require.NoError(t, err)
	p, err := run.Resolve(sc, run.Choices{
		Seed: seed, SeedSet: true, Program: "test", InBench: true,
		Tool:     plan.Text{Name: builtin.Default, Text: string(profile)},
		Captures: captureFolders(),
	})
	require.NoError(t, err)
	return p
}

func captureFolders() []string {
	if dir := os.Getenv("SAWHORSE_CAPTURES"); dir != "" {
		return []string{dir}
	}
	return []string{"../../shared/data"}
}

func execute(t testing.TB, p *plan.Plan, folder string) *run.Result {
	t.Helper()
	r, err := run.New(p, run.Options{Folder: folder, InBench: inBench})
	require.NoError(t, err)
	res, err := r.Execute(context.Background())
	require.NoError(t, err)
	require.NoError(t, res.Err)
	return res
}
