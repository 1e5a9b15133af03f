package clock_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus/clock"
)

func TestPacingIsBounded(t *testing.T) {
	l, err := clock.NewWall()
	require.NoError(t, err)
	require.ErrorContains(t, l.Pace(clock.Pacing{Spin: time.Second}), "want 0 to 1ms")
	require.ErrorContains(t, l.Pace(clock.Pacing{Realtime: 100}), "want 0 (none) to 99")
	require.NoError(t, l.Pace(clock.Pacing{Spin: 50 * time.Microsecond}))
	require.NoError(t, clock.NewVirtual().Pace(clock.Pacing{Spin: time.Microsecond}))
}

// With and without a spin, and in real time where that is permitted, events come in
// their order and not before their moments.
func TestEveryPacingKeepsTheMoments(t *testing.T) {
	for name, p := range map[string]clock.Pacing{
		"no spin": {}, "long spin": {Spin: time.Millisecond}, "real time": {Spin: clock.DefaultSpin, Realtime: 10},
	} {
		t.Run(name, func(t *testing.T) {
			l, err := clock.NewWall()
			require.NoError(t, err)
			require.NoError(t, l.Pace(p))
			var early []time.Duration
			for i := range 20 {
				at := time.Duration(i) * time.Millisecond
				l.At(at, clock.PriorityBus, func() {
					if e := l.Elapsed(); e < at {
						early = append(early, e)
					}
				})
			}
			err = l.Run(context.Background(), 25*time.Millisecond)
			if p.Realtime > 0 && err != nil {
				require.ErrorContains(t, err, "real-time")
				t.Skipf("not permitted here: %v", err)
			}
			require.NoError(t, err)
			require.Empty(t, early)
		})
	}
}
