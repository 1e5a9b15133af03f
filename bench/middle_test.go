package bench_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/api"
	"sawhorse/bench/chance"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/wire"
)

// A fault of the middle is done to what crosses, in the direction asked for.
func TestFaultsInTheMiddle(t *testing.T) {
	loop := clock.NewVirtual()
	near, err := wire.New(loop, "near", wire.Config{})
	require.NoError(t, err)
	far, err := wire.New(loop, "far", wire.Config{})
	require.NoError(t, err)
	m, err := bench.NewMiddle(loop, near, far, chance.Seed(1))
	require.NoError(t, err)
	var seen []uint8
	m.Tap(func(s canbus.Sighting) { seen = append(seen, s.Frame.Bus) })
	a, b := &clientNode{}, &clientNode{}
	a.port, err = near.Attach("a", a)
	require.NoError(t, err)
	b.port, err = far.Attach("b", b)
	require.NoError(t, err)
	require.NoError(t, m.SetFault("frames-lost", true, map[string]any{"sender": "near", "every": 2.0}))
	for i := range 10 {
		f := canbus.New(0x7E8, byte(i))
		loop.At(time.Duration(i)*time.Millisecond, clock.PriorityTool, func() {
			require.NoError(t, a.port.Send(&f))
			require.NoError(t, b.port.Send(&f))
		})
	}
	require.NoError(t, loop.Run(context.Background(), time.Second))
	require.Len(t, b.answers, 5, "from near every second is lost")
	require.Len(t, a.answers, 10, "from far none")
	require.Contains(t, seen, uint8(0))
	require.Contains(t, seen, uint8(1))

	on := 0
	for _, s := range m.Faults() {
		if s.On {
			on++
		}
	}
	require.Equal(t, 1, on)
	require.NoError(t, m.SetFault("frames-lost", false, nil))
	require.ErrorIs(t, m.SetFault("clutch-unlearned", true, nil), api.ErrUnknown)
	require.ErrorContains(t, m.SetFault("frames-lost", true, map[string]any{"sender": "engine"}), "want near")
	require.Error(t, m.Drive(nil))
	require.NoError(t, m.Close())
}
