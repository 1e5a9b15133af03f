package wire

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// rig is a bus at 500 kbit/s, 2 us a bit, whose tap and nodes are written down.
type rig struct {
	t    testing.TB
	loop *clock.Loop
	bus  *Bus
	log  []string // "time what", in the order of events
	taps []canbus.Frame
}

const tbit = 2 * time.Microsecond

func newRig(t testing.TB, cfg Config) *rig {
	loop := clock.NewVirtual()
	bus, err := New(loop, "mem", cfg)
	require.NoError(t, err)
	r := &rig{t: t, loop: loop, bus: bus}
	bus.Tap(func(s canbus.Sighting) {
		r.taps = append(r.taps, *s.Frame)
		line := fmt.Sprintf("tap %s %s", s.Sender, s.Frame.String())
		if s.Touched != "" {
			line += " (" + s.Touched + ")"
		}
		r.note(line)
	})
	return r
}

func (r *rig) note(s string) { r.log = append(r.log, fmt.Sprintf("%v %s", r.loop.Now(), s)) }

type testNode struct {
	r        *rig
	p        *Port
	received []canbus.Frame
	sent     []canbus.Frame
	onSent   func(*canbus.Frame)
	onFrame  func(*canbus.Frame)
}

func (n *testNode) Receive(f *canbus.Frame) {
	n.received = append(n.received, *f)
	if n.onFrame != nil {
		n.onFrame(f)
	}
}

func (n *testNode) Sent(f *canbus.Frame) {
	n.sent = append(n.sent, *f)
	if n.onSent != nil {
		n.onSent(f)
	}
}

func (r *rig) node(name string) *testNode {
	n := &testNode{r: r}
	p, err := r.bus.Attach(name, n)
	require.NoError(r.t, err)
	n.p = p.(*Port)
	return n
}

func (n *testNode) send(f canbus.Frame) { require.NoError(n.r.t, n.p.Send(&f)) }

// at runs fn at a time; the tool's priority comes behind the bus's own events.
func (r *rig) at(t time.Duration, fn func()) { r.loop.At(t, clock.PriorityTool, fn) }

// run runs the bus up to a time and no further; once.
func (r *rig) run(until time.Duration) {
	require.NoError(r.t, r.loop.Run(context.Background(), until))
}

func (n *testNode) counters() (tec, rec int) {
	c := n.p.Confinement()
	return c.TEC, c.REC
}

// always falsifies the given bit of the sender's first n tries.
func always(sender string, bit, n int) func(Try) (Hit, bool) {
	return func(t Try) (Hit, bool) {
		return Hit{Bit: bit}, t.Sender == sender && t.Attempt <= n
	}
}

// reports lists the error reports the tap saw, as can_id and data.
func (r *rig) reports() (out []string) {
	for _, f := range r.taps {
		if f.Flags&canbus.Error != 0 {
			out = append(out, fmt.Sprintf("%08X / % X", f.WireID(), f.Data[:8]))
		}
	}
	return out
}
