package tool

import (
	"os/exec"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// Stretches in which a process waited for much of the time are told whole, short waits
// not at all.
func TestStretchesOfWaitingAreToldWhole(t *testing.T) {
	const ms = time.Millisecond
	var told []time.Duration
	s := &starvation{tell: func(by time.Duration) { told = append(told, by) }}
	for _, waited := range []time.Duration{0, 5 * ms, 40 * ms, 50 * ms, 20 * ms, 2 * ms, 0, 15 * ms, 0} {
		s.see(waited, 50*ms)
	}
	s.see(50*ms, 50*ms)
	s.over()
	assert.Equal(t, []time.Duration{110 * ms, 15 * ms, 50 * ms}, told)
}

// A process that is stopped, or whose child is, has waited for the time.
func TestAStoppedProcessIsSeen(t *testing.T) {
	for name, script := range map[string]string{"itself": "exec sleep 20", "its child": "sleep 20; true"} {
		t.Run(name, func(t *testing.T) {
			cmd := exec.Command("sh", "-c", script)
			require.NoError(t, cmd.Start())
			defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
			last := func() int { f := family(cmd.Process.Pid); return f[len(f)-1] }
			if name == "its child" {
				require.Eventually(t, func() bool { return last() != cmd.Process.Pid }, 10*time.Second, time.Millisecond)
				defer func() { _ = unix.Kill(last(), unix.SIGKILL) }()
			}
			var total atomic.Int64
			s := &starvation{pid: cmd.Process.Pid, tell: func(by time.Duration) { total.Add(int64(by)) }}
			ended := make(chan struct{})
			done := make(chan struct{})
			go func() { defer close(done); s.watch(ended) }()
			time.Sleep(2 * lookEvery)
			require.NoError(t, unix.Kill(last(), unix.SIGSTOP))
			time.Sleep(8 * lookEvery)
			require.NoError(t, unix.Kill(last(), unix.SIGCONT))
			close(ended)
			<-done
			assert.GreaterOrEqual(t, time.Duration(total.Load()), 4*lookEvery)
		})
	}
}
