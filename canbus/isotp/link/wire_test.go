package link_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus/clock"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/isotp/link"
	"sawhorse/canbus/wire"
)

// bench is a tester and an ECU on the embedded bus at 500 kbit/s.
type bench struct {
	loop        *clock.Loop
	bus         *wire.Bus
	tester, ecu *link.Mux
}

func newBench(t *testing.T, cfg wire.Config) *bench {
	loop := clock.NewVirtual()
	bus, err := wire.New(loop, "test", cfg)
	require.NoError(t, err)
	b := &bench{loop: loop, bus: bus}
	b.tester, err = link.Attach(bus, "tester", loop, clock.PriorityTool)
	require.NoError(t, err)
	b.ecu, err = link.Attach(bus, "engine", loop, clock.PriorityECU)
	require.NoError(t, err)
	return b
}

// transfer sends n bytes from the tester and says how long the bytes took.
func (b *bench) transfer(t *testing.T, cfg isotp.Config, n int) time.Duration {
	peer := cfg
	peer.Address = cfg.Reverse()
	took := time.Duration(0)
	_, err := b.ecu.Open(peer, link.Handlers{OnMessage: func(p []byte) {
		require.Len(t, p, n)
		took = b.loop.Now()
	}})
	require.NoError(t, err)
	l, err := b.tester.Open(cfg, link.Handlers{OnFailed: func(r isotp.Result, _ bool) { t.Error(r) }})
	require.NoError(t, err)
	msg := make([]byte, n)
	for i := range msg {
		msg[i] = byte(i*31 + 7)
	}
	require.NoError(t, l.Send(msg))
	require.NoError(t, b.loop.Run(context.Background(), time.Minute))
	require.NotZero(t, took)
	return took
}

// A frame of 8 bytes has 111 bits and at most 24 stuff bits (ISO 11898-1: 34 + 64
// bits stuffed, each four after the first), the space between frames 3: FF, FC and
// the consecutive frames of a message take between those, at 2 us a bit.
func TestTimeOfMessagesOnTheWire(t *testing.T) {
	for _, c := range []struct{ bytes, frames int }{{20, 4}, {4095, 1 + 1 + 585}} {
		took := newBench(t, wire.Config{}).transfer(t, isotp.Emission(isotp.Normal(0x7E0, 0x7E8)), c.bytes)
		require.GreaterOrEqual(t, took, time.Duration(c.frames)*111*2*time.Microsecond-6*time.Microsecond)
		require.LessOrEqual(t, took, time.Duration(c.frames)*(111+24)*2*time.Microsecond)
	}
}

func TestStMinOnTheWire(t *testing.T) {
	cfg := isotp.Enhanced(isotp.Normal(0x7E0, 0x7E8))
	cfg.STmin = 20
	took := newBench(t, wire.Config{}).transfer(t, cfg, 6+10*7)
	// Ten consecutive frames have nine gaps (N - 1 times STmin, common practice).
	require.GreaterOrEqual(t, took, 9*20*time.Millisecond)
	require.Less(t, took, 9*20*time.Millisecond+12*270*time.Microsecond)
}

func TestFDOnTheWire(t *testing.T) {
	cfg := isotp.Enhanced(isotp.NormalFixed(0xF1, 0x10))
	cfg.FD, cfg.BRS, cfg.TxDL, cfg.BlockSize = true, true, 64, 8
	classic := newBench(t, wire.Config{}).transfer(t, isotp.Enhanced(isotp.NormalFixed(0xF1, 0x10)), 4000)
	fd := newBench(t, wire.Config{DataBitRate: 2_000_000}).transfer(t, cfg, 4000)
	require.Less(t, fd, classic/3)
}

// The cable pulled in the middle of an answer: the ECU's side ends by itself in
// N_As, the tester's in N_Cr, and after the cable is back both work again.
func TestCablePulledInTheMiddle(t *testing.T) {
	b := newBench(t, wire.Config{})
	var got []string
	ecu, err := b.ecu.Open(isotp.Enhanced(isotp.Normal(0x7E8, 0x7E0)), link.Handlers{
		OnSent:   func() { got = append(got, "ECU sent") },
		OnFailed: func(r isotp.Result, _ bool) { got = append(got, "ECU "+r.String()) },
	})
	require.NoError(t, err)
	_, err = b.tester.Open(isotp.Enhanced(isotp.Normal(0x7E0, 0x7E8)), link.Handlers{
		OnMessage: func([]byte) { got = append(got, "tester received") },
		OnFailed:  func(r isotp.Result, _ bool) { got = append(got, "tester "+r.String()) },
	})
	require.NoError(t, err)
	port, ok := b.bus.Port("tester")
	require.True(t, ok)
	require.NoError(t, ecu.Send(make([]byte, 1000)))
	at := func(d time.Duration, fn func()) { b.loop.At(d, clock.PriorityFault, fn) }
	at(10*time.Millisecond, port.Unplug)
	at(3*time.Second, port.Plug)
	at(4*time.Second, func() { require.NoError(t, ecu.Send(make([]byte, 1000))) })
	require.NoError(t, b.loop.Run(context.Background(), 8*time.Second))
	require.ElementsMatch(t, []string{"ECU N_TIMEOUT_A", "tester N_TIMEOUT_Cr"}, got[:2])
	require.Equal(t, []string{"tester received", "ECU sent"}, sorted(got[2:]))
	require.Len(t, got, 4)
}

func sorted(s []string) []string {
	if len(s) == 2 && s[0] == "ECU sent" {
		return []string{s[1], s[0]}
	}
	return s
}

// BenchmarkWire4095 is a message of 4095 bytes over the embedded bus.
func BenchmarkWire4095(b *testing.B) {
	b.ReportAllocs()
	loop := clock.NewVirtual()
	bus, _ := wire.New(loop, "test", wire.Config{})
	tester, _ := link.Attach(bus, "tester", loop, clock.PriorityTool)
	ecu, _ := link.Attach(bus, "engine", loop, clock.PriorityECU)
	var l *link.Link
	msg := make([]byte, 4095)
	left := b.N
	_, _ = ecu.Open(isotp.Enhanced(isotp.Normal(0x7E8, 0x7E0)), link.Handlers{OnMessage: func([]byte) { left-- }})
	l, _ = tester.Open(isotp.Enhanced(isotp.Normal(0x7E0, 0x7E8)), link.Handlers{OnSent: func() {
		if left > 1 {
			loop.At(loop.Now(), clock.PriorityTool, func() { _ = l.Send(msg) })
		}
	}})
	_ = l.Send(msg)
	b.ResetTimer()
	_ = loop.Run(context.Background(), time.Duration(b.N+1)*time.Second)
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/587, "ns/frame")
}
