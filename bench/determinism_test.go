package bench_test

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/plan"
	"sawhorse/bench/run"
)

func digestOf(t testing.TB, name string, seed uint64) string {
	t.Helper()
	p := planOf(t, name, seed)
	if p.Background != nil { // the same on machines that have the recording of a real drive
		sc, err := run.Scenario(p)
		require.NoError(t, err)
		p.Background = planOfText(t, sc).Background
	}
	res := execute(t, p, t.TempDir())
	data, err := os.ReadFile(res.Capture)
	require.NoError(t, err)
	require.Greater(t, len(data), 1_000, "a capture with frames in it")
	h := sha256.Sum256(data)
	return hex.EncodeToString(h[:])
}

// A canary: the digests can differ. Another seed gives other processing times.
func TestAnotherSeedGivesAnotherCapture(t *testing.T) {
	require.NotEqual(t, digestOf(t, "healthy", 7), digestOf(t, "healthy", 8))
}

// The plan beside the capture repeats the run.
func TestThePlanAloneRepeatsTheRun(t *testing.T) {
	dir := t.TempDir()
	p := planOf(t, "clutch-learn", 3)
	res := execute(t, p, dir)
	before, err := os.ReadFile(res.Capture)
	require.NoError(t, err)
	again := filepath.Join(t.TempDir(), "again")
	read, err := plan.Read(res.Plan)
	require.NoError(t, err)
	require.Equal(t, p, read)
	res = execute(t, read, again)
	after, err := os.ReadFile(res.Capture)
	require.NoError(t, err)
	require.Equal(t, before, after)
	require.False(t, strings.HasPrefix(res.Capture, dir))
}
