package bench_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
)

// A run that has nothing more to do does not wait ten minutes for a fault to go, but it
// waits a few seconds: what comes of it may be what was asked.
func TestAFinishedRunWaitsForNoLongFault(t *testing.T) {
	for _, c := range []struct {
		lasting string
		min     time.Duration
		max     time.Duration
	}{
		{"10m", time.Second, 20 * time.Second},
		{"12s", 13 * time.Second, 20 * time.Second},
	} {
		res := execute(t, planOfText(t, parsed(t, `scenario: text
title: A fault that lasts
about: Nothing is asked of the tool.
car: petrel-48
duration: 20m
faults:
  - {fault: intake-air-open, from: 1s, for: `+c.lasting+`}
expect:
  - {id: comes, says: It comes, eventually: {that: "'intake-air-open' in faults", within: 5s}}
  - {id: off, says: The engine does not run, never: engine_running}
`)), t.TempDir())
		require.Equal(t, judge.Pass, outcomes(res.Verdicts)["comes"])
		require.GreaterOrEqual(t, res.Length, c.min, c.lasting)
		require.LessOrEqual(t, res.Length, c.max, c.lasting)
	}
}
