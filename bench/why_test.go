package bench_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
	"sawhorse/bench/run"
)

// A learn that the engine's unit refuses, as the pedal is not down: the trace has the
// unit's own reason beside its answer 7F 31 22.
func TestAUnitsOwnReasonIsKnown(t *testing.T) {
	r, err := run.New(planOf(t, "clutch-learn-let-go", 1), run.Options{Folder: t.TempDir(), InBench: inBench, Trace: true})
	require.NoError(t, err)
	res, err := r.Execute(t.Context())
	require.NoError(t, err)
	var reasons []string
	for _, e := range res.Trace.Events() {
		if e.Kind == judge.Response && len(e.Data) == 3 && e.Data[0] == 0x7F && e.Text != "" {
			reasons = append(reasons, e.Text)
		}
	}
	require.Contains(t, strings.Join(reasons, "; "), "the clutch pedal is not fully down")
}
