package link

import (
	"bytes"
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/isotp"
)

// cable is a small bus: every frame takes frameTime, the lowest identifier
// goes first, each port has room for a few frames.
type cable struct {
	loop  *clock.Loop
	ports []*port
	busy  bool
	log   []string
	lose  func(n int, f *canbus.Frame) bool
	n     int
}

type port struct {
	c      *cable
	name   string
	node   canbus.Node
	queue  []canbus.Frame
	room   int
	err    error
	silent bool // takes frames and never sends them
}

const frameTime = 200 * time.Microsecond

func (c *cable) Attach(name string, n canbus.Node) (canbus.Port, error) {
	for _, p := range c.ports {
		if p.name == name {
			return nil, fmt.Errorf("name %s is taken", name)
		}
	}
	p := &port{c: c, name: name, node: n, room: 4}
	c.ports = append(c.ports, p)
	return p, nil
}

func (c *cable) Tap(func(canbus.Sighting)) {}

func (p *port) Send(f *canbus.Frame) error {
	switch {
	case p.err != nil:
		return p.err
	case len(p.queue) >= p.room:
		return canbus.ErrQueueFull
	}
	p.queue = append(p.queue, *f)
	p.c.start()
	return nil
}

func (p *port) Close() error { p.err = canbus.ErrClosed; return nil }

func (c *cable) start() {
	if c.busy {
		return
	}
	var first *port
	for _, p := range c.ports {
		if len(p.queue) > 0 && !p.silent && (first == nil || p.queue[0].ID < first.queue[0].ID) {
			first = p
		}
	}
	if first == nil {
		return
	}
	c.busy = true
	c.loop.At(c.loop.Now()+frameTime, clock.PriorityBus, func() { c.finish(first) })
}

func (c *cable) finish(p *port) {
	f := p.queue[0]
	p.queue = p.queue[1:]
	f.Time = c.loop.Now()
	c.busy = false
	c.n++
	c.log = append(c.log, f.String())
	p.node.Sent(&f)
	if c.lose == nil || !c.lose(c.n, &f) {
		for _, o := range c.ports {
			if o != p {
				o.node.Receive(&f)
			}
		}
	}
	c.start()
}

func setUp(t *testing.T) (*cable, *Mux, *Mux) {
	c := &cable{loop: clock.NewVirtual()}
	tester, err := Attach(c, "tester", c.loop, clock.PriorityTool)
	require.NoError(t, err)
	ecu, err := Attach(c, "engine", c.loop, clock.PriorityECU)
	require.NoError(t, err)
	return c, tester, ecu
}

func open(t *testing.T, m *Mux, cfg isotp.Config, h Handlers) *Link {
	l, err := m.Open(cfg, h)
	require.NoError(t, err)
	return l
}

// A tester asks functionally and physically; the ECU has both addresses on one
// port and answers from its physical one, from within the handler.
func TestRequestAndAnswer(t *testing.T) {
	c, tester, ecu := setUp(t)
	vin := append([]byte{0x49, 2, 1}, "TESTCAR0123456789"...)
	var answer *Link
	answer = open(t, ecu, isotp.Emission(isotp.Normal(0x7E8, 0x7E0)), Handlers{OnMessage: func(p []byte) {
		require.NoError(t, answer.Send(append([]byte{p[0] + 0x40}, p[1:]...)))
	}})
	open(t, ecu, isotp.Emission(isotp.Functional(0x7DF).Reverse()), Handlers{OnMessage: func(p []byte) {
		require.Equal(t, []byte{9, 2}, p)
		require.NoError(t, answer.Send(vin))
		require.ErrorIs(t, answer.Send(vin), isotp.ErrBusy)
	}})
	var got []string
	all := open(t, tester, isotp.Emission(isotp.Functional(0x7DF)), Handlers{OnSent: func() { got = append(got, "sent") }})
	phys := open(t, tester, isotp.Emission(isotp.Normal(0x7E0, 0x7E8)), Handlers{
		OnMessage: func(p []byte) { got = append(got, fmt.Sprintf("% X at %v", p, c.loop.Now())) },
		OnStarted: func(n int) { got = append(got, fmt.Sprintf("started %d", n)) },
	})
	require.NoError(t, all.Send([]byte{9, 2}))
	c.loop.At(10*time.Millisecond, clock.PriorityTool, func() { require.NoError(t, phys.Send([]byte{0x3E, 0})) })
	require.NoError(t, c.loop.Run(context.Background(), time.Second))
	require.Equal(t, []string{
		"sent", "started 20",
		"49 02 01 54 45 53 54 43 41 52 30 31 32 33 34 35 36 37 38 39 at 1ms",
		"7E 00 at 10.4ms",
	}, got)
	require.Equal(t, []string{
		"7DF [8] 02 09 02 CC CC CC CC CC",
		"7E8 [8] 10 14 49 02 01 54 45 53",
		"7E0 [8] 30 00 00 CC CC CC CC CC",
		"7E8 [8] 21 54 43 41 52 30 31 32",
		"7E8 [8] 22 33 34 35 36 37 38 39",
		"7E0 [8] 02 3E 00 CC CC CC CC CC",
		"7E8 [8] 02 7E 00 CC CC CC CC CC",
	}, c.log)
}

// Many long messages at once over ports with little room: all arrive, and
// every confirmation finds its endpoint.
func TestManyEndpointsShareNarrowPort(t *testing.T) {
	c, tester, ecu := setUp(t)
	c.ports[0].room, c.ports[1].room = 1, 2
	got := map[canbus.Key][]byte{}
	delivered := 0
	for i := canbus.Key(0); i < 8; i++ {
		open(t, ecu, isotp.Enhanced(isotp.Normal(0x7E8+i, 0x7E0+i)), Handlers{
			OnMessage: func(p []byte) { got[i] = bytes.Clone(p) },
			OnFailed:  func(r isotp.Result, _ bool) { t.Errorf("ECU %d: %v", i, r) },
		})
		l := open(t, tester, isotp.Enhanced(isotp.Normal(0x7E0+i, 0x7E8+i)), Handlers{
			OnSent:   func() { delivered++ },
			OnFailed: func(r isotp.Result, _ bool) { t.Errorf("tester %d: %v", i, r) },
		})
		require.NoError(t, l.Send(bytes.Repeat([]byte{byte(i)}, 100+int(i))))
	}
	require.NoError(t, c.loop.Run(context.Background(), 5*time.Second))
	require.Equal(t, 8, delivered)
	for i := canbus.Key(0); i < 8; i++ {
		require.Equal(t, bytes.Repeat([]byte{byte(i)}, 100+int(i)), got[i])
	}
}

// The same frame from two endpoints of one port: each is confirmed once, in order.
func TestEqualFrames(t *testing.T) {
	c, tester, _ := setUp(t)
	var order []string
	for _, name := range []string{"a", "b"} {
		l := open(t, tester, isotp.Enhanced(isotp.Functional(0x7DF)), Handlers{OnSent: func() { order = append(order, name) }})
		require.NoError(t, l.Send([]byte{0x3E, 0x80}))
	}
	require.NoError(t, c.loop.Run(context.Background(), time.Second))
	require.Equal(t, []string{"a", "b"}, order)
}

func TestPortTroubles(t *testing.T) {
	for _, tc := range []struct {
		name  string
		alter func(*cable)
		want  isotp.Result
		at    time.Duration
	}{
		{"queue full for ever", func(c *cable) { c.ports[0].room = 0 }, isotp.TimeoutA, time.Second},
		{"bus-off for ever", func(c *cable) { c.ports[0].err = canbus.ErrBusOff }, isotp.TimeoutA, time.Second},
		{"taken and never sent", func(c *cable) { c.ports[0].silent = true }, isotp.TimeoutA, time.Second},
		{"closed", func(c *cable) { c.ports[0].err = canbus.ErrClosed }, isotp.GeneralError, 0},
		{"nobody answers", func(*cable) {}, isotp.TimeoutBs, time.Second + frameTime},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c, tester, _ := setUp(t)
			tc.alter(c)
			var got []isotp.Result
			l := open(t, tester, isotp.Enhanced(isotp.Normal(0x7E0, 0x7E8)), Handlers{OnFailed: func(r isotp.Result, receiving bool) {
				require.False(t, receiving)
				require.Equal(t, tc.at, c.loop.Now())
				got = append(got, r)
			}})
			require.NoError(t, l.Send(make([]byte, 20)))
			c.loop.SetBudget(5000)
			require.NoError(t, c.loop.Run(context.Background(), 5*time.Second))
			require.Equal(t, []isotp.Result{tc.want}, got)
		})
	}
}

// A port that is full for a while is tried again every millisecond.
func TestRetryWhenRoomComes(t *testing.T) {
	c, tester, _ := setUp(t)
	c.ports[0].room = 0
	sent := time.Duration(0)
	l := open(t, tester, isotp.Enhanced(isotp.Functional(0x7DF)), Handlers{OnSent: func() { sent = c.loop.Now() }})
	require.NoError(t, l.Send([]byte{0x3E, 0x80}))
	c.loop.At(10500*time.Microsecond, clock.PriorityFault, func() { c.ports[0].room = 1 })
	require.NoError(t, c.loop.Run(context.Background(), time.Second))
	require.Equal(t, 11*time.Millisecond+frameTime, sent)
}

// After a timeout of a frame that is still in the controller the next message
// is not confirmed by the old frame.
func TestLateFrameConfirmsNothing(t *testing.T) {
	c, tester, _ := setUp(t)
	c.ports[0].silent = true
	var got []string
	cfg := isotp.Emission(isotp.Functional(0x7DF))
	l := open(t, tester, cfg, Handlers{
		OnSent:   func() { got = append(got, fmt.Sprint("sent ", c.loop.Now())) },
		OnFailed: func(r isotp.Result, _ bool) { got = append(got, fmt.Sprint(r, " ", c.loop.Now())) },
	})
	require.NoError(t, l.Send([]byte{0x3E, 0x80}))
	c.loop.At(30*time.Millisecond, clock.PriorityTool, func() { require.NoError(t, l.Send([]byte{0x3E, 0})) })
	c.loop.At(40*time.Millisecond, clock.PriorityFault, func() { c.ports[0].silent = false; c.start() })
	require.NoError(t, c.loop.Run(context.Background(), time.Second))
	require.Equal(t, []string{"N_TIMEOUT_A 25ms", "sent 40.4ms"}, got)
}

func TestWaitResetAndClose(t *testing.T) {
	c, tester, ecu := setUp(t)
	var got []string
	cfg := isotp.Enhanced(isotp.Normal(0x7E8, 0x7E0))
	cfg.WaitMax = 3
	e := open(t, ecu, cfg, Handlers{
		OnMessage: func(p []byte) { got = append(got, fmt.Sprint("received ", len(p))) },
		OnFailed:  func(r isotp.Result, receiving bool) { got = append(got, fmt.Sprint("ECU ", r, receiving)) },
	})
	l := open(t, tester, isotp.Enhanced(isotp.Normal(0x7E0, 0x7E8)), Handlers{
		OnSent:   func() { got = append(got, "sent") },
		OnFailed: func(r isotp.Result, receiving bool) { got = append(got, fmt.Sprint("tester ", r, receiving)) },
	})
	e.SetReady(false)
	require.NoError(t, l.Send(make([]byte, 20)))
	at := func(ms int, fn func()) { c.loop.At(time.Duration(ms)*time.Millisecond, clock.PriorityTool, fn) }
	at(700, func() { e.SetReady(true) })
	at(2000, func() { require.NoError(t, l.Send(make([]byte, 2000))) })
	at(2010, func() { e.Reset() }) // an ECU starts anew in the middle
	at(6000, func() { require.NoError(t, l.Send(make([]byte, 200))) })
	at(6001, func() { require.NoError(t, tester.Close()) })
	require.NoError(t, c.loop.Run(context.Background(), 10*time.Second))
	require.Equal(t, []string{
		"sent", "received 20",
		"ECU N_ERROR true", "sent", // without flow control to come the sender cannot know
		"tester N_ERROR false", "ECU N_TIMEOUT_Cr true",
	}, got)
	require.True(t, l.Endpoint().Idle())
	require.Error(t, l.mux.Port().Send(&canbus.Frame{}))
}

func TestErrors(t *testing.T) {
	c, tester, _ := setUp(t)
	_, err := Attach(c, "tester", c.loop, clock.PriorityTool)
	require.EqualError(t, err, "attach tester: name tester is taken")
	_, err = tester.Open(isotp.Config{TxDL: 9}, Handlers{})
	require.ErrorContains(t, err, "TxDL 9")
	l := open(t, tester, isotp.Emission(isotp.Functional(0x7DF)), Handlers{})
	require.ErrorIs(t, l.Send(make([]byte, 8)), isotp.ErrTooLong)
	require.ErrorIs(t, l.Send(nil), isotp.ErrEmpty)
}

// A frame for somebody else costs a look-up and nothing more.
func TestUnrelatedFramesAllocateNothing(t *testing.T) {
	_, tester, _ := setUp(t)
	open(t, tester, isotp.Enhanced(isotp.Normal(0x7E0, 0x7E8)), Handlers{})
	f := canbus.New(0x123, 1, 2, 3)
	require.Zero(t, testing.AllocsPerRun(100, func() { tester.Receive(&f); tester.Sent(&f) }))
}

// BenchmarkMessage is a message of 4095 bytes over two muxes and the test's cable.
func BenchmarkMessage(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		c := &cable{loop: clock.NewVirtual()}
		tester, _ := Attach(c, "tester", c.loop, clock.PriorityTool)
		ecu, _ := Attach(c, "engine", c.loop, clock.PriorityECU)
		done := 0
		_, _ = ecu.Open(isotp.Enhanced(isotp.Normal(0x7E8, 0x7E0)), Handlers{OnMessage: func(p []byte) { done += len(p) }})
		l, _ := tester.Open(isotp.Enhanced(isotp.Normal(0x7E0, 0x7E8)), Handlers{})
		_ = l.Send(make([]byte, 4095))
		_ = c.loop.Run(context.Background(), time.Minute)
		if done != 4095 {
			b.Fatal(done)
		}
	}
}
