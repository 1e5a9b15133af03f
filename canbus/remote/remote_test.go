package remote_test

import (
	"context"
	"io"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/remote"
)

// conn is a connection whose far side the test plays.
type conn struct {
	in     chan canbus.Frame
	mu     sync.Mutex
	out    []canbus.Frame
	once   sync.Once
	closed chan struct{}
}

func newConn() *conn { return &conn{in: make(chan canbus.Frame, 16), closed: make(chan struct{})} }

func (c *conn) Read(f *canbus.Frame) error {
	select {
	case g, ok := <-c.in:
		if !ok {
			return io.EOF
		}
		*f = g
		return nil
	case <-c.closed:
		return io.EOF
	}
}

func (c *conn) Write(f *canbus.Frame) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.out = append(c.out, *f)
	return nil
}

func (c *conn) Close() error { c.once.Do(func() { close(c.closed) }); return nil }

// echo answers every frame with the next identifier and stops after some.
type echo struct {
	loop *clock.Loop
	port canbus.Port
	sent []canbus.ID
	err  error
}

func (e *echo) Receive(f *canbus.Frame) {
	answer := canbus.New(f.ID+1, f.Payload()...)
	if err := e.port.Send(&answer); err != nil {
		e.err = err
	}
}

func (e *echo) Sent(f *canbus.Frame) { e.sent = append(e.sent, f.ID) }

func TestANodeLivesOnSomebodyElsesBus(t *testing.T) {
	loop, err := clock.NewWall()
	require.NoError(t, err)
	c := newConn()
	var why error
	bus := remote.New(context.Background(), loop, c, func(err error) { why = err; loop.Stop() })
	e := &echo{loop: loop}
	e.port, err = bus.Attach("echo", e)
	require.NoError(t, err)
	_, err = bus.Attach("second", e)
	require.ErrorContains(t, err, "one node")
	var seen []string
	bus.Tap(func(s canbus.Sighting) { seen = append(seen, s.Sender+s.Frame.Key().String()) })
	c.in <- canbus.New(0x100, 1)
	c.in <- canbus.New(0x200, 2)
	time.AfterFunc(50*time.Millisecond, func() { close(c.in) }) // the far side goes
	require.NoError(t, loop.Run(context.Background(), 20*time.Second))

	require.ErrorIs(t, why, io.EOF)
	require.NoError(t, e.err)
	require.Equal(t, []canbus.ID{0x101, 0x201}, e.sent)
	require.Len(t, c.out, 2)
	require.ElementsMatch(t, []string{"100", "echo101", "200", "echo201"}, seen)
	f := canbus.New(0x1)
	require.ErrorIs(t, e.port.Send(&f), canbus.ErrClosed)
}
