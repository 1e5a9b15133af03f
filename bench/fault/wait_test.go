package fault_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/fault"
)

// notCompletedBit is bit 6 of the status byte, ISO 14229-1 annex D: the test has not
// completed in this operation cycle.
const notCompletedBit = 0x40

// Without the crank wheel's learned errors a misfire cannot be told from them, so its
// monitor waits (common practice). What PID 01 tells of continuous monitors hides it.
func TestTheMisfireMonitorWaitsForTheCrankLearn(t *testing.T) {
	w := newWorkshop(t)
	idle, ok := fault.DriveOf("idle", w.car.Spec())
	require.True(t, ok)
	waits := func() bool {
		w.drive(idle, nil)
		engine := w.unit("engine")
		i, ok := engine.spec.Code("P0301")
		require.True(t, ok)
		return engine.mem.Status(i)&notCompletedBit != 0
	}
	assert.False(t, waits(), "learned")
	f, err := fault.New("crank-variation-unlearned", nil)
	require.NoError(t, err)
	require.NoError(t, f.On(w.target()))
	assert.True(t, waits(), "not learned")
	f.Off()
	w.learn()
	assert.False(t, waits(), "learned again")
}
