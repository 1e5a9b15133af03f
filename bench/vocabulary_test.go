package bench

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/tool"
	"sawhorse/cmd/demotool/tester"
	"sawhorse/scenarios"
)

// What scenarios can ask for, profiles can say and the demo's tool can do.
func TestScenariosProfilesAndTheToolHaveTheSameTasks(t *testing.T) {
	tasks := slices.Sorted(slices.Values(tool.Tasks))
	require.Equal(t, scenarios.TaskNames(), tasks)
	require.Equal(t, tasks, slices.Sorted(slices.Values(tester.Tasks)))
	require.Equal(t, tool.Arguments["position"].Words, tester.Positions)
	require.Equal(t, tool.Arguments["position"].Words, scenarios.TaskWords("learn", "position"))
}
