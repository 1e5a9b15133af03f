package scenarios_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/judge/monitor"
	"sawhorse/scenarios"
)

// The built-in scenarios speak of the built-in cars' own signals and of faults that the
// catalogue has, and judge both the tool's words and its deeds.
func TestEveryBuiltInLoads(t *testing.T) {
	v := bench.Vocabulary()
	require.GreaterOrEqual(t, len(scenarios.Names()), 9)
	for _, name := range scenarios.Names() {
		s, err := scenarios.BuiltIn(name, v)
		require.NoError(t, err)
		require.Equal(t, name, s.Name)
		require.NotEmpty(t, s.Cautions, "%s: somebody will repeat it on a car", name)
		require.NotEmpty(t, s.Tasks, name)
		var reports, car bool
		for _, e := range s.Expect {
			switch e.Want.(type) {
			case monitor.Reported:
				reports = true
			case monitor.Finished:
			default:
				car = true
			}
		}
		require.True(t, reports, "%s does not judge what the tool says", name)
		require.True(t, car, "%s does not judge what goes on in the car or on the bus", name)
	}
	_, err := scenarios.BuiltIn("no-such", v)
	require.ErrorContains(t, err, "clutch-learn")
}
