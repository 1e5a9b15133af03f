package bench_test

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/plan"
	"sawhorse/scenarios"
)

// digestEnv makes the test binary run one scenario and print its capture's digest:
// the second process of the test below.
const digestEnv = "SAWHORSE_TEST_DIGEST_OF"

func digestOf(t testing.TB, name string, seed uint64) string {
	t.Helper()
	res := execute(t, planOf(t, name, seed), t.TempDir())
	data, err := os.ReadFile(res.Capture)
	require.NoError(t, err)
	require.Greater(t, len(data), 1_000, "a capture with frames in it")
	h := sha256.Sum256(data)
	return hex.EncodeToString(h[:])
}

// skipLong leaves out scenarios that last minutes, all but the longest, and under the
// race detector all but one of each car.
func skipLong(t *testing.T, name string) {
	t.Helper()
	sc, err := scenarios.BuiltIn(name, bench.Vocabulary())
	require.NoError(t, err)
	switch {
	case underRace && name != "clutch-learn" && name != "auklet-healthy":
		t.Skip("slow under the race detector, which sees nothing new in it")
	case sc.Duration >= 5*time.Minute && name != "exchanged-ecu":
		t.Skipf("lasts up to %v", sc.Duration)
	}
}

// A scenario and a seed give the same capture, byte for byte: twice in this
// process, and in another one.
func TestTheSameSeedGivesTheSameCapture(t *testing.T) {
	for _, name := range scenarios.Names() {
		t.Run(name, func(t *testing.T) {
			skipLong(t, name)
			first := digestOf(t, name, 7)
			require.Equal(t, first, digestOf(t, name, 7), "in the same process")

			cmd := exec.Command(os.Args[0], "-test.run=^TestDigestForAnotherProcess$", "-test.v")
			cmd.Env = append(os.Environ(), digestEnv+"="+name)
			out, err := cmd.CombinedOutput()
			require.NoError(t, err, "%s", out)
			require.Contains(t, string(out), "digest "+first, "in another process")
		})
	}
}

// TestDigestForAnotherProcess is the other process.
func TestDigestForAnotherProcess(t *testing.T) {
	name := os.Getenv(digestEnv)
	if name == "" {
		t.Skip("run by TestTheSameSeedGivesTheSameCapture")
	}
	t.Logf("digest %s", digestOf(t, name, 7))
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
