package main_test

import (
	"bytes"
	"os/exec"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// runs is how often a run is done under load; by hand it may be a hundred.
const runsUnderLoad = 1

// blameless checks that nothing was held against the correct tool: all passed, or
// something could not be decided as the bench was late, which is said.
func blameless(t *testing.T, r result) {
	t.Helper()
	assert.Contains(t, []int{0, 4}, r.status, r.out+r.errout)
	assert.NotContains(t, r.out, "FAILED")
	if r.status == 4 {
		assert.Contains(t, r.out, "the bench was late by ")
	}
}

// A bench that is stopped in the middle of a task, as by a machine that sleeps, blames
// nobody.
func TestAStoppedBenchBlamesNobody(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	for _, at := range []time.Duration{5200, 6000} {
		dir := t.TempDir()
		cmd := command(dir, "run", "real-drive", "--time", "wall")
		var out bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &out
		require.NoError(t, cmd.Start())
		time.Sleep(at * time.Millisecond)
		require.NoError(t, cmd.Process.Signal(syscall.SIGSTOP))
		time.Sleep(400 * time.Millisecond)
		require.NoError(t, cmd.Process.Signal(syscall.SIGCONT))
		_ = cmd.Wait()
		blameless(t, result{status: cmd.ProcessState.ExitCode(), out: out.String()})
	}
}

// Eight programs that do nothing but count keep two cores busy: the correct tool, a
// process of its own, is not blamed.
func TestALoadedMachineBlamesNobody(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a quarter of a minute and all of the machine")
	}
	for range 8 {
		busy := exec.Command("sh", "-c", "while :; do :; done")
		require.NoError(t, busy.Start())
		defer func() { _ = busy.Process.Kill(); _ = busy.Wait() }()
	}
	for range runsUnderLoad {
		blameless(t, sawhorse(t, t.TempDir(), "run", "healthy", "--time", "wall"))
	}
}
