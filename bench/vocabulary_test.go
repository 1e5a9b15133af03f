package bench

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/task"
	"sawhorse/cmd/demotool/tester"
)

// The demo's tool keeps a list of its own, as it is an independent peer: it must do
// what scenarios can ask for.
func TestTheDemosToolHasTheTasks(t *testing.T) {
	require.Equal(t, task.Names(), slices.Sorted(slices.Values(tester.Tasks)))
	for name, words := range map[string][]string{"position": tester.Positions, "output": tester.Outputs} {
		a, ok := task.FindArgument(name)
		require.True(t, ok)
		require.Equal(t, a.Words, words)
	}
}
