package tester

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
)

// A foreign frame that comes at the very moment the wait is over, before the
// clock's tick, must not put the end off: on a busy bus one always does.
func TestForeignTrafficDoesNotPutTheEndOfAWaitOff(t *testing.T) {
	m, err := New(Config{Task: "read-codes", Limit: time.Minute})
	require.NoError(t, err)
	var f canbus.Frame
	foreign := canbus.New(0x123, 1, 2, 3)
	now := time.Duration(0)
	m.Tick(now)
	for range 100_000 {
		for m.NextFrame(&f) {
			m.Sent(now, &f)
		}
		if _, ok := m.Done(); ok {
			break
		}
		now += 600 * time.Microsecond
		m.Receive(now, &foreign)
		if at, ok := m.Deadline(); ok && at <= now {
			m.Tick(now)
		}
	}
	status, ok := m.Done()
	require.True(t, ok)
	require.Equal(t, StatusNoCar, status)
	require.Less(t, now, 10*time.Second)
}
