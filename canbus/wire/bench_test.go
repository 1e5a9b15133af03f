package wire

import (
	"context"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// pump sends its frame again as soon as it has left.
type pump struct {
	port  canbus.Port
	frame canbus.Frame
	left  int
	loop  *clock.Loop
}

func (p *pump) Receive(*canbus.Frame) {}
func (p *pump) Sent(*canbus.Frame) {
	if p.left--; p.left <= 0 {
		p.loop.Stop()
		return
	}
	_ = p.port.Send(&p.frame)
}

type sink struct{ n int }

func (s *sink) Receive(*canbus.Frame) { s.n++ }
func (s *sink) Sent(*canbus.Frame)    {}

func runPump(tb testing.TB, cfg Config, frame canbus.Frame, n int) {
	loop := clock.NewVirtual()
	bus, err := New(loop, "bench", cfg)
	require.NoError(tb, err)
	p := &pump{frame: frame, left: n, loop: loop}
	p.port, err = bus.Attach("pump", p)
	require.NoError(tb, err)
	var sinks [4]sink
	for i := range sinks {
		_, err := bus.Attach(string(rune('a'+i)), &sinks[i])
		require.NoError(tb, err)
	}
	taps := 0
	bus.Tap(func(canbus.Sighting) { taps++ })
	if b, ok := tb.(*testing.B); ok {
		b.ResetTimer()
	}
	require.NoError(tb, p.port.Send(&p.frame))
	require.NoError(tb, loop.Run(context.Background(), math.MaxInt64))
	require.Equal(tb, n, taps)
	require.Equal(tb, n, sinks[3].n)
}

// The whole path of a frame: Send, arbitration, end of frame, one tap, Sent and
// Receive at four nodes.
func BenchmarkFrame(b *testing.B) {
	for _, c := range []struct {
		name string
		f    canbus.Frame
	}{
		{"classic-8", canbus.New(0x7E8, 4, 0x41, 0x0C, 9, 0x70, 0, 0, 0)},
		{"fd-64", canbus.NewFD(0x7E8, canbus.BitRateSwitch, make([]byte, 64)...)},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			runPump(b, Config{DataBitRate: 2_000_000}, c.f, b.N)
		})
	}
}

// Many ports with frames waiting: arbitration and queues at work.
func BenchmarkArbitration(b *testing.B) {
	loop := clock.NewVirtual()
	bus, err := New(loop, "bench", Config{})
	require.NoError(b, err)
	seen := 0
	bus.Tap(func(canbus.Sighting) {
		if seen++; seen >= b.N {
			loop.Stop()
		}
	})
	for i := range 8 {
		p := &pump{frame: canbus.New(canbus.ID(0x100+i), byte(i)), loop: loop, left: math.MaxInt}
		p.port, err = bus.Attach(string(rune('a'+i)), p)
		require.NoError(b, err)
		for range 16 {
			require.NoError(b, p.port.Send(&p.frame))
		}
	}
	b.ReportAllocs()
	b.ResetTimer()
	require.NoError(b, loop.Run(context.Background(), math.MaxInt64))
}

func TestNothingAllocatedPerFrame(t *testing.T) {
	loop := clock.NewVirtual()
	bus, err := New(loop, "bench", Config{})
	require.NoError(t, err)
	p := &pump{frame: canbus.New(0x123, 1, 2, 3), loop: loop, left: math.MaxInt}
	p.port, err = bus.Attach("pump", p)
	require.NoError(t, err)
	_, err = bus.Attach("sink", &sink{})
	require.NoError(t, err)
	bus.Tap(func(canbus.Sighting) {})
	require.NoError(t, p.port.Send(&p.frame))

	// One Run only, so the average is taken inside it: a thousand frames each.
	allocs := math.NaN()
	loop.At(time.Second, clock.PriorityJudge, func() {
		allocs = testing.AllocsPerRun(1000, func() {
			_ = p.port.Send(&p.frame)
			bus.main.step()
			bus.main.step()
		})
		loop.Stop()
	})
	require.NoError(t, loop.Run(context.Background(), 2*time.Second))
	require.Zero(t, allocs)
}
