// Package bustest holds the contract that every canbus.Bus keeps, as a test suite
// to be run on each kind of bus.
package bustest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// Rig is one fresh bus with the loop that owns it.
type Rig struct {
	Loop *clock.Loop
	Bus  canbus.Bus
	// FD says that the bus carries CAN FD.
	FD bool
	// Ordered says that frames of one port leave by priority of their
	// identifiers; a kernel's queue keeps the order of Send instead.
	Ordered bool
	// Limit bounds one test's run; 0 means 2 s. Tests end as soon as they have
	// seen what they wait for.
	Limit time.Duration
}

// Run tests the contract; open is called for each part with its test.
func Run(t *testing.T, open func(t *testing.T) Rig) {
	for _, part := range []struct {
		name string
		test func(t *testing.T, r *rig)
	}{
		{"frames arrive as sent", arriveAsSent},
		{"the tap sees a frame before any node", tapFirst},
		{"all see one order", oneOrder},
		{"equal identifiers keep the order of Send", keepOrder},
		{"lower identifiers leave first", leaveByPriority},
		{"Send copies the frame", sendCopies},
		{"nodes answer from within Receive and Sent", answerFromWithin},
		{"what no bus can carry is refused", refuse},
		{"names are unique until closed", uniqueNames},
		{"a closed port sends and hears nothing", closedPort},
		{"a full queue is an error", fullQueue},
	} {
		t.Run(part.name, func(t *testing.T) {
			r := &rig{Rig: open(t)}
			if r.Limit == 0 {
				r.Limit = 2 * time.Second
			}
			part.test(t, r)
		})
	}
}

type rig struct {
	Rig
	lines []string
	want  int // lines to wait for; 0: run to the limit
}

// say notes one thing seen and ends the run when all has been.
func (r *rig) say(format string, a ...any) {
	r.lines = append(r.lines, fmt.Sprintf(format, a...))
	if len(r.lines) == r.want {
		r.Loop.Stop()
	}
}

// node writes down what it sees.
type node struct {
	r        *rig
	name     string
	port     canbus.Port
	quiet    bool
	received []canbus.Frame
	sent     []canbus.Frame
	onSent   func(f *canbus.Frame)
	onFrame  func(f *canbus.Frame)
}

func (n *node) Receive(f *canbus.Frame) {
	n.received = append(n.received, *f)
	if !n.quiet {
		n.r.say("%s hears %s", n.name, f.Key())
	}
	if n.onFrame != nil {
		n.onFrame(f)
	}
}

func (n *node) Sent(f *canbus.Frame) {
	n.sent = append(n.sent, *f)
	if !n.quiet {
		n.r.say("%s sent %s", n.name, f.Key())
	}
	if n.onSent != nil {
		n.onSent(f)
	}
}

func (r *rig) attach(t *testing.T, names ...string) []*node {
	t.Helper()
	nodes := make([]*node, len(names))
	for i, name := range names {
		nodes[i] = &node{r: r, name: name}
		p, err := r.Bus.Attach(name, nodes[i])
		require.NoError(t, err)
		nodes[i].port = p
	}
	return nodes
}

// at runs fn when the loop runs.
func (r *rig) at(fn func()) { r.Loop.At(0, clock.PriorityTool, fn) }

func (r *rig) run(t *testing.T) {
	t.Helper()
	require.NoError(t, r.Loop.Run(context.Background(), r.Limit))
}

// mute has nodes collect without taking notes.
func mute(nodes ...*node) {
	for _, n := range nodes {
		n.quiet = true
	}
}

// same compares what a frame says, not when or where.
func same(t *testing.T, want, got canbus.Frame) {
	t.Helper()
	want.Time, got.Time, want.Bus, got.Bus = 0, 0, 0, 0
	assert.Equal(t, want, got)
}

func arriveAsSent(t *testing.T, r *rig) {
	frames := []canbus.Frame{
		canbus.New(0x000),
		canbus.New(0x123, 1, 2, 3),
		canbus.New(0x7FF, 255, 254, 253, 252, 251, 250, 249, 248),
		canbus.NewExtended(0x123, 1),
		canbus.NewExtended(0x1FFFFFFF, 1, 2, 3, 4, 5, 6, 7, 8),
		{ID: 0x321, Flags: canbus.Remote, Len: 4},
		{ID: 0x18DAF110, Flags: canbus.Remote | canbus.Extended},
	}
	if r.FD {
		frames = append(frames,
			canbus.NewFD(0x124, 0, 9),
			canbus.NewFD(0x125, canbus.BitRateSwitch, make([]byte, 64)...),
			canbus.NewFD(0x1ABCDEF0, canbus.BitRateSwitch|canbus.Extended, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12))
	}
	nodes := r.attach(t, "sender", "one", "two")
	mute(nodes...)
	next := 0
	send := func() {
		if next < len(frames) {
			assert.NoError(t, nodes[0].port.Send(&frames[next]))
			next++
		}
	}
	nodes[0].onSent = func(*canbus.Frame) { send() }
	nodes[2].onFrame = func(*canbus.Frame) { r.say("frame") }
	// The last receiver may hear a frame before its sender does, so the end
	// waits for one more event.
	r.want = len(frames) + 1
	nodes[1].onFrame = func(*canbus.Frame) {
		if len(nodes[1].received) == len(frames) {
			r.Loop.At(r.Loop.Now()+10*time.Millisecond, clock.PriorityJudge, func() { r.say("end") })
		}
	}
	r.at(send)
	r.run(t)
	require.Len(t, nodes[0].sent, len(frames))
	require.Empty(t, nodes[0].received, "no node hears itself")
	for _, n := range nodes[1:] {
		require.Len(t, n.received, len(frames))
		require.Empty(t, n.sent)
	}
	var last time.Duration
	for i, f := range frames {
		same(t, f, nodes[0].sent[i])
		same(t, f, nodes[1].received[i])
		same(t, f, nodes[2].received[i])
		assert.GreaterOrEqual(t, nodes[1].received[i].Time, last, "time goes on")
		assert.Equal(t, nodes[1].received[i].Time, nodes[2].received[i].Time, "one moment for all")
		last = nodes[1].received[i].Time
	}
}

func tapFirst(t *testing.T, r *rig) {
	r.Bus.Tap(func(s canbus.Sighting) {
		if s.Frame.Flags&canbus.Error == 0 {
			r.say("tap %s by %s", s.Frame.Key(), s.Sender)
		}
	})
	nodes := r.attach(t, "a", "b")
	f := canbus.New(0x101, 1)
	r.want = 3
	r.at(func() { assert.NoError(t, nodes[0].port.Send(&f)) })
	r.run(t)
	require.Len(t, r.lines, 3)
	assert.Equal(t, "tap 101 by a", r.lines[0])
	assert.ElementsMatch(t, []string{"a sent 101", "b hears 101"}, r.lines[1:])
}

func oneOrder(t *testing.T, r *rig) {
	var tap []canbus.Key
	r.Bus.Tap(func(s canbus.Sighting) {
		if s.Frame.Flags&canbus.Error == 0 {
			tap = append(tap, s.Frame.Key())
		}
	})
	nodes := r.attach(t, "a", "b", "c", "listener")
	mute(nodes...)
	const each = 20
	r.want = 3 * each
	nodes[3].onFrame = func(*canbus.Frame) { r.say("frame") }
	r.at(func() {
		for i := range each {
			for k, n := range nodes[:3] {
				f := canbus.New(canbus.ID(0x100+0x10*((i*7+k*5)%11)+k), byte(i))
				assert.NoError(t, n.port.Send(&f))
			}
		}
	})
	r.run(t)
	require.Len(t, tap, 3*each)
	require.Len(t, nodes[3].received, 3*each)
	for i := range nodes[3].received {
		assert.Equal(t, tap[i], nodes[3].received[i].Key(), "the listener hears the order of the tap")
	}
	for k, n := range nodes[:3] {
		i := 0
		for _, key := range tap {
			if int(key.ID()&0xF) == k {
				continue
			}
			if i < len(n.received) { // the run may end inside the last delivery
				assert.Equal(t, key, n.received[i].Key())
			}
			i++
		}
	}
}

func keepOrder(t *testing.T, r *rig) {
	nodes := r.attach(t, "a", "b")
	mute(nodes...)
	const n = 50
	r.want = n
	nodes[1].onFrame = func(*canbus.Frame) { r.say("frame") }
	r.at(func() {
		for i := range n {
			f := canbus.New(0x222, byte(i))
			assert.NoError(t, nodes[0].port.Send(&f))
		}
	})
	r.run(t)
	require.Len(t, nodes[1].received, n)
	for i, f := range nodes[1].received {
		assert.Equal(t, byte(i), f.Data[0])
	}
}

func leaveByPriority(t *testing.T, r *rig) {
	if !r.Ordered {
		t.Skip("this bus keeps the order of Send")
	}
	nodes := r.attach(t, "a", "b")
	frames := []canbus.Frame{
		canbus.NewExtended(0x300<<18, 1),
		{ID: 0x300, Flags: canbus.Remote, Len: 1},
		canbus.New(0x300, 1),
		canbus.New(0x301),
		canbus.New(0x2FF),
		canbus.NewExtended(0x2FF<<18 | 1),
	}
	mute(nodes[0])
	r.want = len(frames)
	r.at(func() {
		for i := range frames {
			assert.NoError(t, nodes[0].port.Send(&frames[i]))
		}
	})
	r.run(t)
	var got []canbus.Frame
	for _, f := range nodes[1].received {
		f.Time, f.Bus = 0, 0
		got = append(got, f)
	}
	// ISO 11898-1: with equal leading 11 bits a base data frame goes before a
	// base remote frame, that before an extended frame.
	assert.Equal(t, []canbus.Frame{frames[4], frames[5], frames[2], frames[1], frames[0], frames[3]}, got)
}

func sendCopies(t *testing.T, r *rig) {
	nodes := r.attach(t, "a", "b")
	mute(nodes[0])
	r.want = 1
	r.at(func() {
		f := canbus.New(0x111, 1, 2, 3)
		assert.NoError(t, nodes[0].port.Send(&f))
		f.ID, f.Data = 0x222, [canbus.MaxData]byte{}
	})
	r.run(t)
	require.Len(t, nodes[1].received, 1)
	same(t, canbus.New(0x111, 1, 2, 3), nodes[1].received[0])
}

func answerFromWithin(t *testing.T, r *rig) {
	nodes := r.attach(t, "a", "b")
	a, b := nodes[0], nodes[1]
	mute(nodes...)
	b.onFrame = func(f *canbus.Frame) {
		answer := canbus.New(f.ID+8, f.Data[0])
		assert.NoError(t, b.port.Send(&answer))
	}
	a.onFrame = func(f *canbus.Frame) {
		r.say("answer %d", f.Data[0])
		if f.Data[0] < 10 {
			again := canbus.New(0x7E0, f.Data[0]+1)
			assert.NoError(t, a.port.Send(&again))
		}
	}
	r.want = 10
	first := canbus.New(0x7E0, 1)
	r.at(func() { assert.NoError(t, a.port.Send(&first)) })
	r.run(t)
	require.Len(t, r.lines, 10)
	assert.Equal(t, "answer 10", r.lines[9])
}
