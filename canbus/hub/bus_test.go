package hub_test

import (
	"context"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// testBus is a bus of the plainest kind: one frame after the other, each a
// fixed time on the wire. It belongs to the loop.
type testBus struct {
	loop  *clock.Loop
	every time.Duration // time on the wire; 0 delivers as fast as the loop runs
	room  int           // frames a port queues
	ports []*testPort
	queue []testFrame
	timer *clock.Timer
	now   testFrame // the one being delivered
}

type testFrame struct {
	f canbus.Frame
	p *testPort
}

type testPort struct {
	bus    *testBus
	name   string
	node   canbus.Node
	queued int
	closed bool
}

func (b *testBus) Tap(func(canbus.Sighting)) {}

func (b *testBus) Attach(name string, n canbus.Node) (canbus.Port, error) {
	p := &testPort{bus: b, name: name, node: n}
	b.ports = append(b.ports, p)
	return p, nil
}

func (p *testPort) Send(f *canbus.Frame) error {
	if p.closed {
		return canbus.ErrClosed
	}
	if err := f.Validate(); err != nil {
		return err
	}
	if p.queued >= p.bus.room {
		return canbus.ErrQueueFull
	}
	p.queued++
	p.bus.queue = append(p.bus.queue, testFrame{*f, p})
	if !p.bus.timer.Active() {
		p.bus.timer.Set(p.bus.loop.Now() + p.bus.every)
	}
	return nil
}

func (p *testPort) Close() error { p.closed = true; return nil }

func (b *testBus) complete() {
	t := &b.now
	*t = b.queue[0]
	b.queue = b.queue[:copy(b.queue, b.queue[1:])]
	t.p.queued--
	t.f.Time = b.loop.Now()
	for _, p := range b.ports {
		if p != t.p && !p.closed {
			p.node.Receive(&t.f)
		}
	}
	if !t.p.closed {
		t.p.node.Sent(&t.f)
	}
	if len(b.queue) > 0 {
		b.timer.Set(b.loop.Now() + b.every)
	}
}

// bench is a running wall loop with a bus.
type bench struct {
	t    testing.TB
	loop *clock.Loop
	bus  *testBus
	path string
	end  func()
}

func newBench(t testing.TB, every time.Duration, room int) *bench {
	t.Helper()
	loop, err := clock.NewWall()
	require.NoError(t, err)
	b := &bench{t: t, loop: loop, path: filepath.Join(t.TempDir(), "bus")}
	b.bus = &testBus{loop: loop, every: every, room: room}
	b.bus.timer = loop.NewTimer(clock.PriorityBus, b.bus.complete)
	return b
}

// run starts the loop; it ends with the test or at the call of end.
func (b *bench) run() {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = b.loop.Run(ctx, time.Hour)
	}()
	b.end = sync.OnceFunc(func() { cancel(); <-done })
	b.t.Cleanup(b.end)
}

// do runs fn in the loop and waits for it.
func (b *bench) do(fn func()) {
	b.t.Helper()
	done := make(chan struct{})
	require.NoError(b.t, b.loop.Post(func() { fn(); close(done) }))
	<-done
}

// listener is a local node that keeps what it gets.
type listener struct {
	mu     sync.Mutex
	frames []canbus.Frame
	sent   int
}

func (l *listener) Receive(f *canbus.Frame) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.frames = append(l.frames, *f)
}

func (l *listener) Sent(*canbus.Frame) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.sent++
}

func (l *listener) got() []canbus.Frame {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]canbus.Frame(nil), l.frames...)
}

// words keeps what the server said, as "client-1 drop reason".
type words struct {
	mu   sync.Mutex
	said []string
}

func (w *words) say(parts ...string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	s := ""
	for _, p := range parts {
		s += p + " "
	}
	w.said = append(w.said, s[:len(s)-1])
}

func (w *words) all() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return append([]string(nil), w.said...)
}
